"""When certificates end, and that it is said in time."""

from __future__ import annotations

from pathlib import Path

import pytest

from aggregator.certificates import Certificates, Use
from aggregator.clock import Clock
from aggregator.core.certificate import Certificate
from aggregator.core.reading import Now
from tests.certificates import Signer

DAY = 86400.0


@pytest.fixture(scope="module")
def signer(tmp_path_factory: pytest.TempPathFactory) -> Signer:
    return Signer(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def now() -> Now:
    return Clock().now()


def said(certificates: Certificates, now: Now) -> list[tuple[str, object]]:
    return [(event, facts.get("days")) for event, facts in certificates.due(now)]


def test_a_certificate_is_warned_of_daily_from_thirty_days_before_its_end_and_after_it(
    signer: Signer, now: Now
) -> None:
    path, _ = signer.sign("gateway", days=(-1, 40))
    certificates = Certificates([Use("listener", path)])
    ends = certificates.first_ends
    assert ends is not None
    for days, expected in (
        (9.5, []),
        (10.5, [("certificate ends soon", 29)]),
        (11.4, []),
        (11.6, [("certificate ends soon", 28)]),
        (40.1, [("certificate has ended", None)]),
    ):
        later = Now(now.monotonic + days * DAY, ends + (days - 40) * DAY)
        assert said(certificates, later) == expected, days


def test_of_a_chain_the_first_to_end_counts_and_of_authorities_the_last(signer: Signer, tmp_path: Path) -> None:
    """While an authority is replaced the old one stands beside the new one in a file (common practice, no source)."""
    file = tmp_path / "several.pem"
    file.write_bytes(signer.certificate("old", days=(-9, 5)) + signer.certificate("new", days=(-9, 50)))
    old, new = (each.ends for each in Certificate.all_in(file.read_bytes()))
    assert Use("listener", str(file)).ends() == old
    assert Use("clients", str(file), is_authority=True).ends() == new
    both = Certificates([Use("listener", str(file)), Use("clients", str(file), is_authority=True)])
    assert both.first_ends == old


def test_a_file_that_cannot_be_read_counts_as_it_was(signer: Signer, now: Now) -> None:
    path, _ = signer.sign("fleeting", days=(-1, 20))
    certificates = Certificates([Use("listener", path)])
    before = certificates.first_ends
    Path(path).write_text("-----BEGIN CERTIFICATE-----")
    certificates.read()
    assert certificates.first_ends == before
    Path(path).unlink()
    certificates.read()
    assert certificates.first_ends == before
    (told,) = certificates.told(now)
    assert (told["file"], told["days"], told["soon"]) == (path, 19, True)


def test_without_certificates_there_is_no_end(now: Now, tmp_path: Path) -> None:
    assert Certificates([]).first_ends is None
    nothing = Certificates([Use("listener", str(tmp_path / "nothing.pem"))])
    assert (nothing.first_ends, list(nothing.told(now)), said(nothing, now)) == (None, [], [])
