"""The pages of a running service: opened, and served otherwise, as its files say; what is said where they are not."""

from __future__ import annotations

import contextlib
import json
import socket
import ssl
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import pytest

from aggregator.web.people import People, Role
from tests.certificates import Signer

if TYPE_CHECKING:
    from tests.edges.conftest import Service

Command = Callable[..., subprocess.CompletedProcess[str]]
Until = Callable[..., Any]
PASSWORD = "correct horse battery"


def with_pages(folder: Path, port: int, more: str = "") -> Path:
    with (folder / "site.yaml").open("a") as file:
        file.write(f"web: {{at: 127.0.0.1:{port}{more}}}\n")
    return folder


def move(folder: Path, old: int, new: int) -> None:
    file = folder / "site.yaml"
    file.write_text(file.read_text().replace(f"at: 127.0.0.1:{old}", f"at: 127.0.0.1:{new}"))


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port: int = taken.getsockname()[1]
        return port


def is_served(port: int) -> bool:
    with contextlib.suppress(httpx.TransportError):
        return httpx.get(f"http://127.0.0.1:{port}/health").status_code == 200
    return False


@contextlib.contextmanager
def taken_port() -> Iterator[int]:
    """A port at which another program listens until the block ends."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        yield taken.getsockname()[1]


def test_pages_that_cannot_be_opened_are_told_of_and_tried_until_they_can_be(
    site: Callable[..., Path], service: Callable[..., Service], command: Command, until: Until
) -> None:
    old = free_port()
    folder = with_pages(site(), old)
    running = service(folder)
    until(lambda: is_served(old), what="the pages")
    with taken_port() as new:
        move(folder, old, new)
        told = command("reload", folder)
        assert told.returncode == 3
        assert told.stdout.startswith("taken, 1 time since the start")
        assert "another program listens there" in told.stderr
        assert "tried again" in told.stderr
        status = command("status", folder)
        assert f"pages cannot be served at 127.0.0.1:{new}" in status.stdout
        assert json.loads(command("status", folder, "--json").stdout)["pages_away"]
        assert not is_served(old)
    until(lambda: is_served(new), what="the pages at their new port")
    assert json.loads(command("status", folder, "--json").stdout)["pages_away"] is None
    assert len(running.log("pages away")) == 1


def test_pages_that_are_away_can_be_taken_out_or_moved_again(
    site: Callable[..., Path], service: Callable[..., Service], command: Command, until: Until
) -> None:
    old = free_port()
    folder = with_pages(site(), old)
    running = service(folder)
    with taken_port() as new:
        move(folder, old, new)
        assert command("reload", folder).returncode == 3
        move(folder, new, old)
        told = command("reload", folder)
        assert (told.returncode, told.stderr) == (0, "")
        assert is_served(old)
        move(folder, old, new)
        assert command("reload", folder).returncode == 3
        assert running.stop() == 0


def test_a_reload_asked_for_by_a_page_goes_on_though_the_page_is_served_elsewhere_by_it(
    site: Callable[..., Path], service: Callable[..., Service], command: Command, until: Until
) -> None:
    old, new = free_port(), free_port()
    folder = with_pages(site(), old)
    people = People(folder / "data")
    people.add("mara", Role.ENGINEER, PASSWORD)
    key = people.add_key("mara")
    running = service(folder)
    until(lambda: is_served(old), what="the pages")
    move(folder, old, new)
    with contextlib.suppress(httpx.TransportError):  # its own connection is one of those that end
        httpx.post(f"http://127.0.0.1:{old}/api/v1/service/reload", headers={"authorization": f"Bearer {key}"})
    until(lambda: is_served(new), what="the pages at their new port")
    told = until(lambda: json.loads(command("status", folder, "--json").stdout), what="the status")
    assert (told["generation"], told["pages_away"]) == (1, None)
    assert running.process.poll() is None


def sent_certificate(port: int, authority: Path) -> bytes | None:
    context = ssl.create_default_context(cafile=str(authority))
    with (
        socket.create_connection(("127.0.0.1", port), timeout=5) as plain,
        context.wrap_socket(plain, server_hostname="127.0.0.1") as secure,
    ):
        return secure.getpeercert(binary_form=True)


def test_a_renewed_certificate_is_shown_after_a_reload_and_an_unfit_one_changes_nothing(
    site: Callable[..., Path], service: Callable[..., Service], command: Command, until: Until, tmp_path: Path
) -> None:
    signer, port = Signer(tmp_path / "tls"), free_port()
    certificate, key = signer.sign("gateway", host="127.0.0.1")
    folder = with_pages(site(), port, f", tls: {{certificate: {certificate}, key: {key}}}")
    running = service(folder)
    until(lambda: running.log("pages served"), what="the pages")
    first = sent_certificate(port, signer.ca)
    assert [each["of"] for each in json.loads(command("status", folder, "--json").stdout)["certificates"]] == ["pages"]
    stranger, _ = signer.sign("stranger", host="127.0.0.1")
    kept = Path(certificate).read_bytes()
    Path(certificate).write_bytes(Path(stranger).read_bytes())
    command("reload", folder)
    (told,) = running.log("certificates not renewed")
    assert "the certificate of the pages cannot be used" in told["reason"]
    assert str(certificate) in told["reason"]
    assert sent_certificate(port, signer.ca) == first
    Path(certificate).write_bytes(kept)
    signer.sign("gateway", host="127.0.0.1")
    assert command("reload", folder).returncode == 0
    assert sent_certificate(port, signer.ca) != first


@pytest.mark.parametrize("plain", [True, False])
def test_a_cookie_is_marked_secure_where_pages_go_over_tls_and_only_there(
    site: Callable[..., Path], service: Callable[..., Service], until: Until, tmp_path: Path, plain: bool
) -> None:
    """RFC 6265 section 5.2.5: a browser sends such a cookie over secure connections only (from memory)."""
    signer, port = Signer(tmp_path / "tls"), free_port()
    certificate, key = signer.sign("gateway", host="127.0.0.1")
    folder = with_pages(site(), port, "" if plain else f", tls: {{certificate: {certificate}, key: {key}}}")
    People(folder / "data").add("mara", Role.LOOK, PASSWORD)
    running = service(folder)
    url = until(lambda: running.log("pages served"), what="the pages")[0]["at"]
    assert url.startswith("http://" if plain else "https://")
    with httpx.Client(base_url=url, verify=ssl.create_default_context(cafile=str(signer.ca))) as browser:
        answer = browser.post("sign-in", data={"name": "mara", "password": PASSWORD, "to": "/"})
        flags = {each.strip().lower() for each in answer.headers["set-cookie"].split(";")[1:]}
        assert {"httponly", "samesite=strict", "path=/"} <= flags
        assert ("secure" in flags) is not plain
        assert ("strict-transport-security" in answer.headers) is not plain
        assert browser.get("api/v1/meters").status_code == 200
        foreign = {"origin": url.rstrip("/").replace("https:", "http:") if not plain else "https://127.0.0.1"}
        assert browser.post("sign-out", headers=foreign).status_code == 403


def test_a_damaged_file_of_people_keeps_nobody_from_polling(
    site: Callable[..., Path], service: Callable[..., Service], until: Until
) -> None:
    folder = with_pages(site(), port := free_port())
    (folder / "data").mkdir()
    (folder / "data" / "people.json").write_text('{"mara": ')
    running = service(folder)
    until(lambda: is_served(port), what="the pages")
    until(lambda: running.log("started"), what="the start")
    assert "people.json cannot be read" in running.log("nobody can be let in")[0]["reason"]
    assert httpx.get(f"http://127.0.0.1:{port}/").status_code == 503
