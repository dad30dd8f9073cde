"""What people read when something is wrong, to the letter."""

from __future__ import annotations

import pytest

from aggregator.core.errors import (
    AggregatorError,
    ConfigurationError,
    DecodeError,
    ExceptionCode,
    ModbusError,
    Place,
    Problem,
    Refusal,
)

OVERLAP = Problem(Place("map.yaml", 14, 5), "FT-102 needs input registers 120-143", "Start at 148")
TYPO = Problem(Place("map.yaml", 3), "there is no key `lay`", "Did you mean `layout`?")


def test_a_problem_names_file_line_column_and_cure() -> None:
    assert str(OVERLAP) == "map.yaml:14:5: FT-102 needs input registers 120-143. Start at 148."


def test_a_place_inside_a_sentence_goes_without_its_column() -> None:
    assert OVERLAP.place.short == "map.yaml:14"


def test_a_configuration_error_lists_every_problem_once_in_file_order() -> None:
    error = ConfigurationError([OVERLAP, TYPO, OVERLAP])
    assert error.problems == (TYPO, OVERLAP)
    assert str(error) == f"{TYPO}\n{OVERLAP}"


def test_a_decode_error_says_why_and_what() -> None:
    error = DecodeError(Refusal.BAD_JSON, "the key 'a' stands twice")
    assert str(error) == "bad JSON: the key 'a' stands twice"
    assert (error.refusal, error.detail, error.node) == (Refusal.BAD_JSON, "the key 'a' stands twice", None)


def test_a_modbus_error_carries_its_code_and_says_its_name() -> None:
    error = ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
    assert error.code == 2
    assert str(error) == "illegal data address"


@pytest.mark.parametrize(
    ("code", "number"),
    [
        (ExceptionCode.ILLEGAL_FUNCTION, 0x01),
        (ExceptionCode.ILLEGAL_DATA_ADDRESS, 0x02),
        (ExceptionCode.ILLEGAL_DATA_VALUE, 0x03),
        (ExceptionCode.SERVER_DEVICE_FAILURE, 0x04),
        (ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND, 0x0B),
    ],
)
def test_exception_codes_are_those_of_the_specification(code: ExceptionCode, number: int) -> None:
    """MODBUS Application Protocol Specification V1.1b3 section 7, verified."""
    assert code == number


def test_all_errors_can_be_caught_as_one() -> None:
    assert {each.__name__ for each in AggregatorError.__subclasses__()} >= {
        "ConfigurationError",
        "DecodeError",
        "ModbusError",
        "HeaderError",
    }
