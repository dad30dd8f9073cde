"""Modbus over TLS against plain sockets, on both kinds of event loop, and as plant software would use it.

What is right is what the MODBUS/TCP Security Protocol Specification v21 and v36 say (clauses from memory): TLS 1.2 at
least (section 10.1), both ends show certificates, the role in an extension of the client's (R-21 to R-23), exception 01
where a role has no right, and inside of TLS the bytes of Modbus TCP.
"""

from __future__ import annotations

import contextlib
import signal
import socket
import ssl
import subprocess
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from ipaddress import ip_network
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import structlog
from pymodbus import FramerType
from pymodbus.client import ModbusTlsClient

from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.access import EVERYTHING, Access, Right, Roles, Rule
from aggregator.core.account import Accounts
from aggregator.core.keeping import KeptEvent
from aggregator.core.refusals import Refused
from aggregator.core.site import Site
from aggregator.modbus_server import ClientLimits, ListenerTls, ModbusServer, TlsFiles, UnusableTls, handshake
from aggregator.poller import TlsClient
from tests.certificates import Signer, utf8_string
from tests.edges.caller import Caller

if TYPE_CHECKING:
    from tests.edges.conftest import Served, Service

READ_TEST_BLOCK = bytes.fromhex("04 00 28 00 04")  # four input registers from 40
TEST_BLOCK = bytes.fromhex("04 08 12 34 FF FE 12 34 56 78")  # 0x1234, -2, 0x12345678: the map declares them
WRITE = bytes.fromhex("06 23 28 00 07")  # the scratch register at 9000
OPERATOR, VIEWER = utf8_string("operator"), utf8_string("viewer")
ROLES = Roles({"operator": EVERYTHING, "viewer": Right.READ, "clerk": Right.ACKNOWLEDGE | Right.READ})
Open = Callable[..., Caller]
RESET = (ConnectionError, ssl.SSLError)


@pytest.fixture(scope="module")
def signer(tmp_path_factory: pytest.TempPathFactory) -> Signer:
    return Signer(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def listener(signer: Signer) -> tuple[str, str]:
    return signer.sign("gateway", host="127.0.0.1")


@pytest.fixture(scope="module")
def operator(signer: Signer) -> tuple[str, str]:
    return signer.sign("control-room", role=OPERATOR)


@pytest.fixture
def house(served: Callable[..., Served], signer: Signer, listener: tuple[str, str]) -> Callable[..., Served]:
    """Serve the small site over TLS: `house(ClientLimits(clients=3), without=Right.READ)`."""

    def serve(limits: ClientLimits = ClientLimits(), *, without: Right = Right(0), **keys: Any) -> Served:  # noqa: B008
        tls = ListenerTls(TlsFiles(*listener, str(signer.ca)), Roles(ROLES.rights, without))
        return served(limits, tls=tls, **keys)

    return serve


@pytest.fixture
def over_tls(signer: Signer) -> Iterator[Open]:
    """Connect over TLS: `over_tls(port, certificate)`, the handshake done; closed at the end."""
    opened: list[Caller] = []

    def connect(
        port: int, certificate: tuple[str, str] | None, host: str = "127.0.0.1", context: ssl.SSLContext | None = None
    ) -> Caller:
        plain = socket.create_connection(("127.0.0.1", port), timeout=10, source_address=(host, 0))
        try:
            sock = (context or signer.client(certificate)).wrap_socket(plain, server_hostname="127.0.0.1")
        except OSError:
            plain.close()
            raise
        opened.append(Caller(sock))
        return opened[-1]

    yield connect
    for each in opened:
        each.sock.close()


def refused(connect: Callable[[], Caller]) -> bool:
    """Whether nothing can be asked over a connection: in TLS 1.3 the client's handshake ends before the server's."""
    try:
        connect().ask(READ_TEST_BLOCK)
    except RESET:
        return True
    return False


# The stream


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_inside_of_tls_is_modbus_tcp(
    version: ssl.TLSVersion, house: Callable[..., Served], over_tls: Open, signer: Signer, operator: tuple[str, str]
) -> None:
    context = signer.client(operator)
    context.minimum_version = context.maximum_version = version
    client = over_tls(house().port, operator, context=context)
    assert client.ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert client.ask(WRITE) == WRITE
    assert client.ask(bytes.fromhex("03 23 28 00 01")) == bytes.fromhex("03 02 00 07")


def test_requests_may_be_split_over_records_and_several_stand_in_one(
    house: Callable[..., Served], over_tls: Open, operator: tuple[str, str]
) -> None:
    client = over_tls(house().port, operator)
    stream = b"".join(client.frame(tid, READ_TEST_BLOCK) for tid in range(50))
    for portion in (1, 5, 7, 13, 100, 600):  # each `sendall` makes a record
        for at in range(0, len(stream), portion):
            client.sock.sendall(stream[at : at + portion])
        assert [client.answer() for _ in range(50)] == [(tid, 1, TEST_BLOCK) for tid in range(50)]


def test_a_request_that_comes_with_the_last_message_of_the_handshake_is_answered(
    house: Callable[..., Served], signer: Signer, operator: tuple[str, str]
) -> None:
    """In TLS 1.3 a client may send as soon as it has sent its certificate (RFC 8446 section 2): all in one segment."""
    port = house().port
    for _ in range(5):
        incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        session = signer.client(operator).wrap_bio(incoming, outgoing, server_hostname="127.0.0.1")
        with socket.create_connection(("127.0.0.1", port), timeout=10) as sock:
            while True:
                try:
                    session.do_handshake()
                    break
                except ssl.SSLWantReadError:
                    sock.sendall(outgoing.read())
                    incoming.write(sock.recv(65536))
            session.write(Caller.frame(9, READ_TEST_BLOCK))
            sock.sendall(outgoing.read())  # certificate, Finished and the request
            answer = b""
            while len(answer) < 7 + len(TEST_BLOCK):
                incoming.write(sock.recv(65536))
                try:
                    answer += session.read(1000)
                except ssl.SSLWantReadError:
                    continue
            assert answer == Caller.frame(9, TEST_BLOCK)


def test_what_cannot_be_modbus_closes_that_connection_alone(
    house: Callable[..., Served], over_tls: Open, operator: tuple[str, str]
) -> None:
    port = house().port
    good, bad = over_tls(port, operator), over_tls(port, operator)
    bad.sock.sendall(bytes.fromhex("00 01 00 01 00 06 01 04 00 28 00 04"))  # protocol 1
    with pytest.raises(RESET):
        bad.answer()
    assert good.ask(READ_TEST_BLOCK) == TEST_BLOCK


def test_a_greedy_client_takes_turns_with_the_others_and_loses_nothing(
    house: Callable[..., Served], over_tls: Open, operator: tuple[str, str]
) -> None:
    port = house().port
    greedy, other = over_tls(port, operator), over_tls(port, operator)
    tids = range(5000)

    def send() -> None:
        greedy.sock.sendall(b"".join(greedy.frame(tid, READ_TEST_BLOCK) for tid in tids))

    with ThreadPoolExecutor(1) as thread:
        sending = thread.submit(send)
        assert other.ask(READ_TEST_BLOCK) == TEST_BLOCK
        assert [greedy.answer()[0] for _ in tids] == list(tids)
        sending.result(30)


def test_a_client_over_its_pace_waits_over_tls_too(
    house: Callable[..., Served], over_tls: Open, operator: tuple[str, str]
) -> None:
    client = over_tls(house(ClientLimits(rate=50)).port, operator)
    began = time.monotonic()
    for portion in range(5):
        client.sock.sendall(b"".join(client.frame(20 * portion + at, READ_TEST_BLOCK) for at in range(20)))
    assert [client.answer()[0] for _ in range(100)] == list(range(100))
    assert time.monotonic() - began > 0.9  # 50 at once, 50 more at 50 a second


# Roles


@pytest.mark.parametrize(
    ("role", "reads", "writes"),
    [
        (OPERATOR, True, True),
        (VIEWER, True, False),
        (utf8_string("clerk"), True, False),
        (utf8_string("stranger"), False, False),
        (utf8_string("Operator"), False, False),
        (None, False, False),
        (b"\x13\x08operator", False, False),  # PrintableString
        (b"\x04\x08operator", False, False),  # OCTET STRING
    ],
)
def test_a_client_may_do_what_its_role_may_and_gets_exception_01_else(
    role: bytes | None, reads: bool, writes: bool, house: Callable[..., Served], over_tls: Open, signer: Signer
) -> None:
    """The connection stays up: v36 and published implementations answer 01 (Illegal Function) to each request."""
    client = over_tls(house().port, signer.sign("somebody", role=role))
    for _ in range(2):
        assert client.ask(READ_TEST_BLOCK) == (TEST_BLOCK if reads else b"\x84\x01")
        assert client.ask(WRITE) == (WRITE if writes else b"\x86\x01")
    assert client.ask(bytes.fromhex("2B 0E 01 00"))[0] == (0x2B if reads else 0xAB)


def test_a_certificate_without_a_role_may_do_what_is_declared_for_those(
    house: Callable[..., Served], over_tls: Open, signer: Signer
) -> None:
    port = house(without=Right.READ).port
    assert over_tls(port, signer.sign("visitor")).ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert over_tls(port, signer.sign("odd", role=b"\x04\x01a")).ask(READ_TEST_BLOCK) == b"\x84\x01"


def test_network_and_role_both_have_to_give_a_right(
    house: Callable[..., Served], over_tls: Open, operator: tuple[str, str]
) -> None:
    access = Access([Rule(ip_network("127.0.0.1"), Right.READ), Rule(ip_network("127.0.0.2"), EVERYTHING)])
    port = house(access=access).port
    assert over_tls(port, operator).ask(WRITE) == b"\x86\x01"
    assert over_tls(port, operator, "127.0.0.2").ask(WRITE) == WRITE
    assert refused(lambda: over_tls(port, operator, "127.0.0.3"))


def test_records_name_who_it_was_by_certificate_role_and_address(
    house: Callable[..., Served], over_tls: Open, signer: Signer, operator: tuple[str, str]
) -> None:
    there = house()
    client = over_tls(there.port, operator)
    assert client.ask(WRITE) == WRITE
    stranger = over_tls(there.port, signer.sign("laptop", role=utf8_string("guest")))
    assert stranger.ask(WRITE) == b"\x86\x01"
    kept = there.call(there.site.take_kept)
    events = {each.event: each for each in kept if isinstance(each, KeptEvent)}
    address = "{}:{}".format(*client.sock.getsockname())
    assert events["register written"].who == f"control-room as operator at {address}"
    assert events["write refused"].who == events["role without rights"].who == "laptop as guest at 127.0.0.1"
    assert there.call(lambda: there.site.refusals.counts[Refused.ROLE]) == 1
    accounts = there.call(lambda: {each.host: each.requests for each in there.server.accounts})
    assert accounts == {"control-room as operator at 127.0.0.1": 1, "laptop as guest at 127.0.0.1": 1}


# Handshakes


def reasons(log: list[Any]) -> list[str]:
    return [line["reason"] for line in log if line["event"] == "connection closed"]


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        ("none", "it shows no certificate"),
        ("expired", "its certificate is not accepted: certificate has expired"),
        ("not yet", "its certificate is not accepted: certificate is not yet valid"),
        ("self-signed", "its certificate is not accepted: "),
        ("another authority", "its certificate is not accepted: "),
    ],
)
@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_who_shows_no_good_certificate_is_not_let_in_and_the_log_says_why(
    kind: str,
    reason: str,
    version: ssl.TLSVersion,
    house: Callable[..., Served],
    over_tls: Open,
    signer: Signer,
    operator: tuple[str, str],
    tmp_path: Path,
    until: Callable[..., Any],
) -> None:
    there = house()
    kinds: dict[str, Callable[[], tuple[str, str] | None]] = {
        "none": lambda: None,
        "expired": lambda: signer.sign("late", role=OPERATOR, days=(-5, -1)),
        "not yet": lambda: signer.sign("early", role=OPERATOR, days=(1, 5)),
        "self-signed": lambda: Signer(tmp_path / "self", "control-room").sign("control-room", role=OPERATOR),
        "another authority": lambda: Signer(tmp_path / "other").sign("control-room", role=OPERATOR),
    }
    shown = kinds[kind]()
    context = signer.client(shown)
    context.minimum_version = context.maximum_version = version
    with structlog.testing.capture_logs() as log:
        assert refused(lambda: over_tls(there.port, shown, context=context))
        until(lambda: there.call(lambda: there.site.refusals.counts[Refused.TLS]), what="the refusal")
    assert len(reasons(log)) == 1
    assert reasons(log)[0].startswith(reason)
    assert not there.call(lambda: there.server.clients)
    assert over_tls(there.port, operator).ask(READ_TEST_BLOCK) == TEST_BLOCK


def test_tls_1_1_is_refused(
    house: Callable[..., Served], over_tls: Open, signer: Signer, operator: tuple[str, str], until: Callable[..., Any]
) -> None:
    """RFC 8996 took 1.0 and 1.1 out of use."""
    there = house()
    context = signer.client(operator)
    with warnings.catch_warnings(action="ignore", category=DeprecationWarning):
        context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1_1
    context.set_ciphers("ALL:@SECLEVEL=0")  # else the client itself would not even ask
    with structlog.testing.capture_logs() as log:
        assert refused(lambda: over_tls(there.port, operator, context=context))
        until(lambda: reasons(log), what="the refusal")
    assert reasons(log) == ["it offers no TLS 1.2 or later"]


@pytest.mark.parametrize("sent", [Caller.frame(1, READ_TEST_BLOCK), b"GET / HTTP/1.1\r\n\r\n"], ids=["Modbus", "HTTP"])
def test_who_speaks_no_tls_gets_nothing(
    sent: bytes, house: Callable[..., Served], caller: Callable[..., Caller], until: Callable[..., Any]
) -> None:
    there = house()
    client = caller(there.port)
    with structlog.testing.capture_logs() as log:
        client.sock.sendall(sent)
        assert client.sock.recv(100)[:1] in (b"", b"\x15")  # an alert at most (RFC 8446 section 5.1)
        until(lambda: reasons(log), what="the refusal")
    assert reasons(log) == ["it speaks no TLS"]


def test_who_never_finishes_a_handshake_is_dropped_and_counted(
    house: Callable[..., Served],
    caller: Callable[..., Caller],
    over_tls: Open,
    operator: tuple[str, str],
    monkeypatch: pytest.MonkeyPatch,
    until: Callable[..., Any],
) -> None:
    assert handshake.WITHIN == 10.0
    monkeypatch.setattr(handshake, "WITHIN", 0.5)
    there = house()
    silent, half = caller(there.port), caller(there.port)
    half.sock.sendall(bytes.fromhex("16 03 01 02 00 01 00 01 FC 03 03"))  # the beginning of a ClientHello
    until(lambda: there.call(lambda: len(there.server.arrivals.under_way)) == 2)
    good = over_tls(there.port, operator)
    assert silent.is_closed()
    assert half.is_closed()
    until(lambda: there.call(lambda: there.site.refusals.counts[Refused.TLS]) == 2)
    assert there.call(lambda: len(there.server.arrivals.under_way)) == 0
    assert good.ask(READ_TEST_BLOCK) == TEST_BLOCK


def test_a_crowd_that_never_shakes_hands_drives_out_nobody_but_itself(
    house: Callable[..., Served], caller: Callable[..., Caller], over_tls: Open, operator: tuple[str, str]
) -> None:
    there = house(ClientLimits(clients=20, per_host=10))
    good = over_tls(there.port, operator)
    crowd = [caller(there.port) for _ in range(50)]
    assert good.ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert over_tls(there.port, operator).ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert crowd[0].is_closed()
    others = [caller(there.port, f"127.0.0.{2 + at}") for at in range(30)]
    assert over_tls(there.port, operator, "127.0.0.99").ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert others[0].is_closed()
    assert there.call(lambda: len(there.server.arrivals.under_way)) <= 20
    assert there.call(lambda: there.site.refusals.counts[Refused.CROWD]) >= 50


def test_a_thousand_idle_connections_cost_who_polls_nothing(
    house: Callable[..., Served], caller: Callable[..., Caller], over_tls: Open, operator: tuple[str, str]
) -> None:
    there = house(ClientLimits(clients=1100, per_host=1100))
    good = over_tls(there.port, operator)
    idle = [caller(there.port) for _ in range(1000)]
    assert [good.ask(READ_TEST_BLOCK) for _ in range(200)] == [TEST_BLOCK] * 200
    assert over_tls(there.port, operator).ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert len(idle) == 1000


async def test_the_programs_own_poll_needs_no_certificate_and_nobody_else_gets_by_on_its_port(
    signer: Signer, listener: tuple[str, str], site: Callable[..., Path]
) -> None:
    clock = Clock()
    small = Site(load(site()).declared, clock.now())
    tls = ListenerTls(TlsFiles(*listener, str(signer.ca)), ROLES)
    server = ModbusServer(small.units(), clock, ClientLimits(), Access([]), Accounts(small.refusals), lambda: None, tls)
    await server.start("127.0.0.1", 0)
    try:
        assert await server.answers_itself(5.0)
        assert server.own is None
    finally:
        await server.stop()


# Files


def test_a_renewed_certificate_is_shown_to_the_next_client_and_the_old_connection_goes_on(
    served: Callable[..., Served], signer: Signer, operator: tuple[str, str], over_tls: Open
) -> None:
    paths = signer.sign("renewed", host="127.0.0.1", days=(-1, 5))
    tls = ListenerTls(TlsFiles(*paths, str(signer.ca)), ROLES)
    there = served(tls=tls)
    old = over_tls(there.port, operator)
    shown = old.sock.getpeercert(binary_form=True)  # type: ignore[attr-defined]
    signer.sign("renewed", host="127.0.0.1", days=(-1, 50))
    assert over_tls(there.port, operator).sock.getpeercert(binary_form=True) == shown  # type: ignore[attr-defined]
    there.call(tls.reload)
    new = over_tls(there.port, operator)
    assert new.sock.getpeercert(binary_form=True) != shown  # type: ignore[attr-defined]
    assert old.ask(READ_TEST_BLOCK) == new.ask(READ_TEST_BLOCK) == TEST_BLOCK
    Path(paths[0]).write_text("half a certificate")
    with pytest.raises(UnusableTls, match=r"renewed\.pem.*site\.yaml"):
        there.call(tls.reload)
    assert over_tls(there.port, operator).ask(READ_TEST_BLOCK) == TEST_BLOCK


@pytest.mark.parametrize("wrong", ["certificate", "key", "client_ca", "another key", "empty ca"])
def test_a_file_that_is_no_use_is_named(wrong: str, signer: Signer, listener: tuple[str, str], tmp_path: Path) -> None:
    files = {"certificate": listener[0], "key": listener[1], "client_ca": str(signer.ca)}
    if wrong == "another key":
        files["key"] = signer.sign("another")[1]
        named = files["key"]
    elif wrong == "empty ca":
        named = files["client_ca"] = str(tmp_path / "empty.pem")
        Path(named).write_text("")
    else:
        named = files[wrong] = str(tmp_path / "nothing.pem")
    with pytest.raises(UnusableTls) as found:
        TlsFiles(**files).context()
    assert named in str(found.value)
    assert "site.yaml" in str(found.value)


@pytest.mark.peer("openssl")
def test_a_key_that_is_locked_asks_nobody_and_says_so(
    signer: Signer, listener: tuple[str, str], tmp_path: Path, peer: dict[str, str]
) -> None:
    locked = tmp_path / "locked.key"
    line = [peer["openssl"], "ec", "-in", listener[1], "-aes256", "-passout", "pass:secret", "-out", str(locked)]
    subprocess.run(line, check=True, capture_output=True, timeout=30)
    with pytest.raises(UnusableTls, match="locked by a password"):
        TlsFiles(listener[0], str(locked), str(signer.ca)).context()


# Foreign programs, and the service as a whole


def test_the_modbus_library_reads_and_writes_over_tls(
    house: Callable[..., Served], signer: Signer, operator: tuple[str, str]
) -> None:
    port = house().port
    context = signer.client(operator)
    context.check_hostname = False  # the library's own client names none
    library = ModbusTlsClient("127.0.0.1", port=port, sslctx=context, framer=FramerType.TLS)
    ours = TlsClient("127.0.0.1", port, signer.client(operator))  # the library's client, its framing that of sockets
    for client in (library, ours):
        assert client.connect()  # type: ignore[no-untyped-call, unused-ignore]
        assert client.read_input_registers(40, count=4, device_id=1).registers == [0x1234, 0xFFFE, 0x1234, 0x5678]
        assert not client.write_register(9000, 77, device_id=1).isError()
        assert client.read_holding_registers(9000, count=1, device_id=1).registers == [77]
        client.close()  # type: ignore[no-untyped-call]


def certificates(signer: Signer, listener: tuple[str, str]) -> str:
    certificate, key = listener
    return (
        f"tls: {{certificate: {certificate}, key: {key}, client_ca: {signer.ca}, "
        "roles: {operator: [command, acknowledge], viewer: [read]}}"
    )


@pytest.mark.peer("openssl")
def test_openssl_s_client_is_let_in_by_its_certificate(
    site: Callable[..., Path],
    service: Callable[..., Service],
    signer: Signer,
    listener: tuple[str, str],
    operator: tuple[str, str],
    peer: dict[str, str],
) -> None:
    running = service(site(allow=certificates(signer, listener)))
    line = [peer["openssl"], "s_client", "-connect", f"127.0.0.1:{running.port}", "-CAfile", str(signer.ca)]
    line += ["-cert", operator[0], "-key", operator[1], "-quiet", "-verify_return_error", "-verify_ip", "127.0.0.1"]
    with subprocess.Popen(line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as client:
        assert client.stdin
        assert client.stdout
        client.stdin.write(Caller.frame(5, READ_TEST_BLOCK))
        client.stdin.flush()
        answer = Caller.frame(5, TEST_BLOCK)
        assert client.stdout.read(len(answer)) == answer
        client.terminate()


def test_the_poll_command_reads_over_tls_and_says_what_is_missing(
    site: Callable[..., Path],
    service: Callable[..., Service],
    command: Callable[..., subprocess.CompletedProcess[str]],
    signer: Signer,
    listener: tuple[str, str],
    operator: tuple[str, str],
    port: int,
    tmp_path: Path,
) -> None:
    folder = site(allow=certificates(signer, listener), tcp=f"127.0.0.1:{port}")
    service(folder)
    shown = ["--certificate", operator[0], "--key", operator[1]]
    done = command("poll", folder, "--tls", *shown, "--ca", signer.ca, "--tag", "FT-101")
    assert (done.returncode, done.stderr) == (0, "")
    assert "FT-101" in done.stdout
    assert "--ca" in command("poll", folder, "--tls", *shown).stderr
    assert "over TLS only" in command("poll", folder).stderr
    assert command("poll", folder, "--tls", *shown, "--ca", tmp_path / "no.pem").returncode == 3
    another = Signer(tmp_path / "another")
    wrong = command("poll", folder, "--tls", *shown, "--ca", another.ca)
    assert wrong.returncode == 3
    assert "certificate is not accepted" in wrong.stderr
    stranger = another.sign("stranger", role=OPERATOR)
    turned_away = command("poll", folder, "--certificate", stranger[0], "--key", stranger[1], "--ca", signer.ca)
    assert turned_away.returncode == 3
    assert "Its log says why" in turned_away.stderr


def test_certificates_are_read_anew_on_sighup_and_their_end_is_a_figure(
    site: Callable[..., Path],
    service: Callable[..., Service],
    command: Callable[..., subprocess.CompletedProcess[str]],
    signer: Signer,
    operator: tuple[str, str],
    over_tls: Open,
    until: Callable[..., Any],
) -> None:
    paths = signer.sign("short", host="127.0.0.1", days=(-1, 5.5))
    folder = site(allow=certificates(signer, paths))
    running = service(folder)
    client = over_tls(running.port, operator)
    assert client.registers(35, 1) == (5,)
    (warned,) = running.log("certificate ends soon")
    assert (warned["file"], warned["days"]) == (paths[0], 5)
    assert "in 5 d; renew it" in command("status", folder).stdout

    Path(paths[0]).write_bytes(signer.certificate("no key of its own", days=(-1, 100)))
    running.process.send_signal(signal.SIGHUP)
    (line,) = until(lambda: running.log("certificates not renewed"))
    assert paths[0] in line["reason"]
    (problem,) = until(lambda: running.log("file wrong"))  # it is no site that could be started
    assert paths[0] in problem["problem"]
    assert client.registers(35, 1) == over_tls(running.port, operator).registers(35, 1) == (5,)

    signer.sign("short", host="127.0.0.1", days=(-1, 100.5))
    running.process.send_signal(signal.SIGHUP)
    until(lambda: running.log("certificates read anew"))
    assert client.registers(35, 1) == over_tls(running.port, operator).registers(35, 1) == (100,)
    assert running.stop() == 0


def test_tls_that_is_declared_anew_holds_from_the_reload_on_and_one_that_is_no_use_changes_nothing(
    site: Callable[..., Path],
    service: Callable[..., Service],
    signer: Signer,
    listener: tuple[str, str],
    operator: tuple[str, str],
    over_tls: Open,
    port: int,
    until: Callable[..., Any],
) -> None:
    def declare(shown: tuple[str, str], instead: str = "operator") -> Path:
        keys = certificates(signer, shown).replace("{operator:", f"{{{instead}:")
        return site(allow=keys, tcp=f"127.0.0.1:{port}")

    running = service(declare(listener))
    client = over_tls(port, operator)
    assert client.ask(WRITE) == WRITE
    declare(("/nowhere/gateway.pem", listener[1]))
    running.process.send_signal(signal.SIGHUP)
    (line,) = until(lambda: running.log("file wrong"))
    assert "/nowhere/gateway.pem" in line["problem"]
    assert client.ask(WRITE) == WRITE
    declare(listener, instead="maintenance")
    running.process.send_signal(signal.SIGHUP)
    assert client.is_closed()  # its rights have changed

    def is_refused() -> bool:
        with contextlib.suppress(OSError):  # while the listener is opened anew
            return over_tls(port, operator).ask(WRITE) == b"\x86\x01"
        return False

    until(is_refused)
    assert running.stop() == 0


def test_without_any_certificate_the_figure_is_no_value(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[..., Caller]
) -> None:
    assert caller(service(site()).port).registers(35, 1) == (0xFFFF,)


def test_a_start_with_a_certificate_that_is_not_there_says_what_to_do(
    site: Callable[..., Path],
    command: Callable[..., subprocess.CompletedProcess[str]],
    signer: Signer,
    listener: tuple[str, str],
) -> None:
    folder = site(allow=certificates(signer, ("/nowhere/gateway.pem", listener[1])))
    done = command("run", folder)
    assert done.returncode == 3
    assert "/nowhere/gateway.pem" in done.stderr
    assert "No such file" in done.stderr
