"""The script that makes certificates to try Modbus over TLS with, held against openssl and a listener of ours."""

from __future__ import annotations

import ssl
import stat
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography import x509

from aggregator.core.access import Right, Roles
from aggregator.core.certificate import Certificate
from aggregator.modbus_server import ListenerTls, TlsFiles

pytestmark = pytest.mark.peer("openssl")
SCRIPT = Path(__file__).resolve().parents[2] / "deploy" / "certificates.sh"
Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def make(tmp_path: Path) -> Run:
    """Run the script on a folder: `make("client", "control-room", "operator", DAYS="90")`."""

    def run(*words: str, **variables: str) -> subprocess.CompletedProcess[str]:
        line = ["sh", str(SCRIPT), str(tmp_path / "made"), *words]
        environment = {"PATH": "/usr/bin:/bin", **variables}
        return subprocess.run(line, capture_output=True, text=True, timeout=60, check=False, env=environment)

    return run


def certificate(folder: Path, name: str) -> x509.Certificate:
    return x509.load_pem_x509_certificate((folder / f"{name}.pem").read_bytes())


def test_what_it_makes_shakes_hands_and_carries_the_role(make: Run, tmp_path: Path, peer: dict[str, str]) -> None:
    folder = tmp_path / "made"
    for words in (
        ("authority",),
        ("listener", "gateway", "127.0.0.1", "::1", "gateway.alder-fen.example"),
        ("client", "control-room", "operator"),
        ("client", "visitor"),
    ):
        done = make(*words)
        assert (done.returncode, done.stderr) == (0, ""), words
    found = {name: Certificate.all_in((folder / f"{name}.pem").read_bytes())[0] for name in ("control-room", "visitor")}
    assert [(each.name, each.role) for each in found.values()] == [("control-room", "operator"), ("visitor", None)]
    names = certificate(folder, "gateway").extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert [str(each.value) for each in names] == ["127.0.0.1", "::1", "gateway.alder-fen.example"]
    for name, purpose in (("gateway", "sslserver"), ("control-room", "sslclient"), ("visitor", "sslclient")):
        line = [peer["openssl"], "verify", "-x509_strict", "-purpose", purpose, "-CAfile", f"{folder}/ca.pem"]
        subprocess.run([*line, f"{folder}/{name}.pem"], check=True, capture_output=True, timeout=30)
    files = TlsFiles(f"{folder}/gateway.pem", f"{folder}/gateway.key", f"{folder}/ca.pem")
    server = ListenerTls(files, Roles({"operator": Right.READ})).context
    client = ssl.create_default_context(cafile=f"{folder}/ca.pem")
    client.load_cert_chain(f"{folder}/control-room.pem", f"{folder}/control-room.key")
    assert shown_to(server, client) == certificate(folder, "control-room")


def shown_to(server: ssl.SSLContext, client: ssl.SSLContext) -> x509.Certificate:
    """What the server is shown in a handshake, in memory."""
    one, other = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = [
        server.wrap_bio(one, other, server_side=True),
        client.wrap_bio(other, one, server_hostname="gateway.alder-fen.example"),
    ]
    for _ in range(4):
        for end in ends:
            try:
                end.do_handshake()
            except ssl.SSLWantReadError:
                continue
    shown = ends[0].getpeercert(binary_form=True)
    assert shown is not None
    return x509.load_der_x509_certificate(shown)


def test_it_never_writes_over_a_file(make: Run, tmp_path: Path) -> None:
    folder = tmp_path / "made"
    make("authority")
    make("client", "control-room", "operator")
    before = {path: path.read_bytes() for path in folder.iterdir()}
    assert sorted(path.name for path in before) == ["ca.key", "ca.pem", "control-room.key", "control-room.pem"]
    for words in (("authority",), ("client", "control-room", "viewer"), ("listener", "ca", "127.0.0.1")):
        done = make(*words)
        assert done.returncode == 1
        assert "is there already" in done.stderr
    (folder / "control-room.pem").unlink()
    assert make("client", "control-room", "viewer").returncode == 1  # the key is there still
    assert {path: path.read_bytes() for path in folder.iterdir()} == {
        path: text for path, text in before.items() if path.name != "control-room.pem"
    }


def test_keys_are_for_their_owner_alone(make: Run, tmp_path: Path) -> None:
    make("authority")
    make("client", "control-room")
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / "made").iterdir()}
    assert modes == {"ca.key": 0o600, "ca.pem": 0o644, "control-room.key": 0o600, "control-room.pem": 0o644}


def test_it_makes_what_lasts_as_many_days_as_it_is_told(make: Run, tmp_path: Path) -> None:
    make("authority")
    make("client", "control-room", DAYS="90")
    made = certificate(tmp_path / "made", "control-room")
    assert (made.not_valid_after_utc - made.not_valid_before_utc).days == 90


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ((), 2, "usage"),
        (("dance",), 2, "usage"),
        (("client",), 2, "usage"),
        (("listener", "gateway"), 2, "usage"),
        (("client", "a b"), 1, "no plain name"),
        (("client", "../out"), 1, "no plain name"),
        (("client", "a", "x,y"), 1, "no plain name"),
        (("listener", "a", "b,IP:127.0.0.1"), 1, ""),
        (("client", "a", "b"), 1, "make it first"),
    ],
)
def test_what_it_cannot_make_it_says_and_leaves_nothing(
    words: tuple[str, ...], code: int, said: str, make: Run, tmp_path: Path
) -> None:
    done = make(*words)
    assert (done.returncode, said in done.stderr) == (code, True), done.stderr
    assert not (tmp_path / "made").exists() or not list((tmp_path / "made").iterdir())
