"""People: what is kept of them, and what a file that is not as it should be does."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest

from aggregator.web.people import LONGEST, MOST_KEYS, People, Role, WrongPerson, is_password

PASSWORD = "correct horse battery"


@pytest.fixture
def people(tmp_path: Path) -> People:
    found = People(tmp_path)
    found.add("mara", Role.ENGINEER, PASSWORD)
    return found


def test_a_password_is_kept_as_an_argon2id_hash_and_nowhere_else(people: People, tmp_path: Path) -> None:
    """RFC 9106 section 4: Argon2id is the variant to use; the encoded form begins with its name."""
    text = (tmp_path / "people.json").read_text()
    assert PASSWORD not in text
    assert json.loads(text)["mara"]["password"].startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    assert is_password(people.find("mara"), PASSWORD)
    assert not is_password(people.find("mara"), PASSWORD + "x")
    assert not is_password(None, PASSWORD)


def test_the_file_is_for_the_services_user_only(people: People, tmp_path: Path) -> None:
    people.add("olav", Role.LOOK, PASSWORD)
    assert stat.S_IMODE((tmp_path / "people.json").stat().st_mode) == 0o600


def test_what_another_process_wrote_is_seen_at_once(people: People, tmp_path: Path) -> None:
    People(tmp_path).add("olav", Role.OPERATE, PASSWORD)
    found = people.find("olav")
    assert found is not None
    assert found.role is Role.OPERATE
    People(tmp_path).remove("olav")
    assert people.find("olav") is None


def test_a_key_is_known_and_kept_as_its_digest_only(people: People, tmp_path: Path) -> None:
    key = people.add_key("mara")
    found = people.by_key(key)
    assert found is not None
    assert found.name == "mara"
    assert key not in (tmp_path / "people.json").read_text()
    assert people.by_key(key + "x") is None
    assert people.drop_keys("mara") == 1
    assert people.by_key(key) is None


def test_nobody_has_more_keys_than_anyone_can_keep_in_mind(people: People) -> None:
    for _ in range(MOST_KEYS):
        people.add_key("mara")
    with pytest.raises(WrongPerson, match="take them back first"):
        people.add_key("mara")


@pytest.mark.parametrize("name", ["", "  ", " mara", "a\nb", "x" * 41])
def test_a_name_that_cannot_be_read_is_refused(people: People, name: str) -> None:
    with pytest.raises(WrongPerson, match="a name has"):
        people.add(name, Role.LOOK, PASSWORD)


@pytest.mark.parametrize("password", ["", "short", "x" * (LONGEST + 1)])
def test_a_password_too_short_or_too_long_is_refused(people: People, password: str) -> None:
    with pytest.raises(WrongPerson, match="a password has"):
        people.add("olav", Role.LOOK, password)
    assert people.find("olav") is None


def test_a_name_is_given_once(people: People) -> None:
    with pytest.raises(WrongPerson, match="there is a mara already"):
        people.add("mara", Role.LOOK, PASSWORD)


def test_who_is_not_there_is_said_with_who_is(people: People) -> None:
    for change in (people.remove, people.add_key, people.drop_keys):
        with pytest.raises(WrongPerson, match="nobody called olav; there is mara"):
            change("olav")


def test_another_password_changes_the_stamp_that_visits_hang_on(people: People) -> None:
    before = people.find("mara")
    people.set_password("mara", "another password")
    after = people.find("mara")
    assert before is not None
    assert after is not None
    assert before.stamp != after.stamp


def test_a_broken_file_lets_nobody_in_and_is_not_written_over(people: People, tmp_path: Path) -> None:
    (tmp_path / "people.json").write_text('{"mara": {"role": "king"}}')
    with pytest.raises(WrongPerson, match="cannot be read"):
        people.find("mara")
    with pytest.raises(WrongPerson, match="cannot be read"):
        people.add("olav", Role.LOOK, PASSWORD)
    assert "king" in (tmp_path / "people.json").read_text()


def test_the_only_engineer_stays_one(people: People) -> None:
    people.set_role("mara", Role.ENGINEER)
    people.add("olav", Role.OPERATE, PASSWORD)
    for change in (people.remove, lambda name: people.set_role(name, Role.OPERATE)):
        with pytest.raises(WrongPerson, match=r"mara is the only engineer\. Make somebody else one first: .*--of NAME"):
            change("mara")
    people.set_role("mara", Role.ENGINEER)  # as she is
    people.set_role("olav", Role.ENGINEER)
    people.remove("mara")
    assert list(people.all()) == ["olav"]
