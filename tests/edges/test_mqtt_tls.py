"""The broker link under TLS: a certificate authority of the site's own, made here by openssl."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.edges.broker import Broker
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

pytestmark = pytest.mark.peer("mosquitto", "openssl")


@dataclass(frozen=True)
class Authority:
    """A certificate authority in a folder, and what it signs."""

    openssl: str
    folder: Path

    @property
    def certificate(self) -> Path:
        return self.folder / "ca.pem"

    def found(self) -> Authority:
        self.folder.mkdir()
        subject = ["-subj", "/CN=Alder Fen test authority", "-days", "2", "-nodes"]
        self._run("req", "-x509", *KEY, *subject, "-keyout", "ca.key", "-out", "ca.pem")
        return self

    def sign(self, name: str, alternative: str, valid: tuple[int, int] = (-1, 2)) -> tuple[Path, Path]:
        """A certificate and its key for one host or client, valid from so many days from now on until so many."""
        (self.folder / f"{name}.ext").write_text(f"subjectAltName={alternative}\n")
        self._run("req", *KEY, "-subj", f"/CN={name}", "-nodes", "-keyout", f"{name}.key", "-out", f"{name}.csr")
        (self.folder / "index.txt").touch()
        begin, end = (f"{datetime.now(UTC) + timedelta(days=days):%Y%m%d%H%M%SZ}" for days in valid)
        (self.folder / "ca.conf").write_text(SIGNS)
        given = ["-batch", "-notext", "-extfile", f"{name}.ext", "-startdate", begin, "-enddate", end]
        self._run("ca", "-config", "ca.conf", *given, "-in", f"{name}.csr", "-out", f"{name}.pem")
        return self.folder / f"{name}.pem", self.folder / f"{name}.key"

    def _run(self, *arguments: str) -> None:
        subprocess.run([self.openssl, *arguments], cwd=self.folder, check=True, capture_output=True, timeout=30)


SIGNS = """\
[ca]
default_ca = site
[site]
database = index.txt
unique_subject = no
rand_serial = yes
new_certs_dir = .
certificate = ca.pem
private_key = ca.key
default_md = sha256
policy = any
[any]
commonName = supplied
"""
KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1")


@pytest.fixture
def authority(tmp_path: Path, peer: dict[str, str]) -> Callable[[str], Authority]:
    return lambda name: Authority(peer["openssl"], tmp_path / name).found()


def with_tls(broker: Callable[..., Broker], mine: Authority, alternative: str, *lines: str) -> Broker:
    certificate, key = mine.sign("broker", alternative)
    return broker(
        "allow_anonymous true",
        listener=[f"cafile {mine.certificate}", f"certfile {certificate}", f"keyfile {key}", *lines],
    )


def test_a_broker_of_the_sites_own_authority_is_trusted(
    authority: Callable[[str], Authority],
    broker: Callable[..., Broker],
    gateway: Callable[..., tuple[Service, Caller]],
    until: Callable[..., Any],
) -> None:
    mine = authority("site")
    there = with_tls(broker, mine, "IP:127.0.0.1")
    _, client = gateway(there.port, extra=f"  tls: {{ca: {mine.certificate}}}")
    until(lambda: client.figure("state") & 1, what="the link under TLS")


def test_a_client_certificate_is_shown_where_the_broker_asks(
    authority: Callable[[str], Authority],
    broker: Callable[..., Broker],
    gateway: Callable[..., tuple[Service, Caller]],
    until: Callable[..., Any],
) -> None:
    mine = authority("site")
    there = with_tls(broker, mine, "IP:127.0.0.1", "require_certificate true")
    certificate, key = mine.sign("gateway", "DNS:gateway")
    tls = f"  tls: {{ca: {mine.certificate}, certificate: {certificate}, key: {key}}}"
    _, client = gateway(there.port, extra=tls)
    until(lambda: client.figure("state") & 1, what="the link under TLS")


@pytest.mark.parametrize(
    ("ca", "alternative", "reason"),
    [
        ("another", "IP:127.0.0.1", "certificate is not accepted"),
        ("site", "IP:127.0.0.9", "certificate is not accepted"),
        (None, "IP:127.0.0.1", "certificate is not accepted"),
    ],
    ids=["of another authority", "of another machine", "unknown to the system"],
)
def test_a_certificate_that_cannot_be_trusted_is_refused_with_the_reason(
    ca: str | None,
    alternative: str,
    reason: str,
    authority: Callable[[str], Authority],
    broker: Callable[..., Broker],
    gateway: Callable[..., tuple[Service, Caller]],
    until: Callable[..., Any],
) -> None:
    known = {name: authority(name) for name in ("site", "another")}
    there = with_tls(broker, known["site"], alternative)
    tls = "  tls: {}" if ca is None else f"  tls: {{ca: {known[ca].certificate}}}"
    running, client = gateway(there.port, extra=tls)
    lines = until(lambda: running.log("no broker"))
    assert reason in lines[0]["reason"]
    assert client.figure("state") & 1 == 0


def test_tls_towards_a_broker_without_it_is_said(
    broker: Callable[..., Broker], gateway: Callable[..., tuple[Service, Caller]], until: Callable[..., Any]
) -> None:
    running, _ = gateway(broker().port, extra="  tls: {}")
    assert until(lambda: running.log("no broker"))[0]["reason"]


def test_a_plain_link_towards_a_broker_with_tls_is_said(
    authority: Callable[[str], Authority],
    broker: Callable[..., Broker],
    gateway: Callable[..., tuple[Service, Caller]],
    until: Callable[..., Any],
) -> None:
    there = with_tls(broker, authority("site"), "IP:127.0.0.1")
    running, _ = gateway(there.port)
    assert until(lambda: running.log("no broker"))[0]["reason"]


@pytest.mark.parametrize("valid", [(1, 3), (-3, -1)], ids=["not yet valid", "expired"])
def test_a_certificate_out_of_its_time_cuts_the_link_and_not_the_registers_and_the_link_comes_back_by_itself(
    valid: tuple[int, int],
    authority: Callable[[str], Authority],
    broker: Callable[..., Broker],
    gateway: Callable[..., tuple[Service, Caller]],
    until: Callable[..., Any],
) -> None:
    """A gateway that starts with its clock in the past finds every certificate not yet valid until it is set.

    What the clock would do is done here by the certificate: it cannot be set on the machine that runs this.
    """
    mine = authority("site")
    there = with_tls(broker, mine, "IP:127.0.0.1")
    mine.sign("broker", "IP:127.0.0.1", valid)
    there.kill()
    there.start()
    running, client = gateway(there.port, extra=f"  tls: {{ca: {mine.certificate}}}")
    lines = until(lambda: running.log("no broker"))
    assert "certificate is not accepted" in lines[0]["reason"]
    assert ("not yet valid" if valid[0] > 0 else "expired") in lines[0]["reason"]
    assert client.figure("state") & 1 == 0
    beats = client.figure("heartbeat")
    until(lambda: client.figure("heartbeat") != beats, what="the registers served all the same")
    there.kill()
    mine.sign("broker", "IP:127.0.0.1")
    there.start()
    until(lambda: client.figure("state") & 1, 90, "the link once the certificate is in its time")
