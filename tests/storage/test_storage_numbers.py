"""Numbers as people write them are understood, or refused with the form to write."""

import pytest

from lensbench.model.errors import SettingError
from lensbench.storage.numbers import read_number, read_numbers, read_range


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("f/2.8", "f-number", 2.8),
        ("F2,8", "f-number", 2.8),
        ("1:2.8", "f-number", 2.8),
        ("\N{LATIN SMALL LETTER F WITH HOOK}/2.8", "f-number", 2.8),
        ("50mm", "mm", 50.0),
        ("5 cm", "mm", 50.0),
        ("2m", "m", 2.0),
        ("2,5 m", "m", 2.5),
        ("45cm", "m", 0.45),
        ("10 ft", "m", 3.048),  # international foot, 1959: 0.3048 m
        ("4 \N{MICRO SIGN}m", "um", 4.0),
        ("1/60 s", "s", 1.0 / 60.0),
        ('2"', "s", 2.0),
        ("ISO 400", "ISO", 400.0),
        ("4:1", "ratio", 4.0),
        ("-3 EV", "EV", -3.0),
        ("\N{MINUS SIGN}1.5\N{DEGREE SIGN}", "degrees", -1.5),
    ],
)
def test_marks_units_and_decimal_commas_are_understood(text, kind, value):
    assert read_number(text, kind) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("f/2.8x", "f-number", "is not a number: write 2.8"),
        ("3.5-5.6", "f-number", "is a range: write one number, such as 2.8"),
        ("24-70mm", "mm", "is a range: write one number, such as 50"),
        ("1,250", "mm", "can be read in two ways: write 1250 or 1.25"),
        ("2_8", "", "is not a number"),
        ("nan", "", "is not a number"),
        ("inf", "m", "is not a number"),
        ("1e999", "", "is not a number"),
        ("1/0", "s", "is not a number: write 1/60"),
        ("", "mm", "is not a number: write 50"),
        ("two", "f-number", "is not a number"),
    ],
)
def test_the_rest_is_refused_with_the_form_to_write(text, kind, says):
    with pytest.raises(SettingError) as refused:
        read_number(text, kind)
    assert str(refused.value) == f"«{text}» {says}" or says in str(refused.value)
    assert "string" not in str(refused.value)


def test_counts_are_whole():
    assert read_number("3", whole=True) == 3
    with pytest.raises(SettingError, match=r"«2.5» is not a whole number"):
        read_number("2.5", whole=True)


@pytest.mark.parametrize("text", ["24-70mm", "24 mm - 70 mm", "24\N{EN DASH}70", "2.4cm-7cm", "24 to 70 mm"])
def test_a_zoom_is_a_range(text):
    assert read_range(text, "mm") == pytest.approx((24.0, 70.0), rel=1e-12)


@pytest.mark.parametrize("text", ["2.8,4,5.6", "2.8, 4, 5.6", "2,8;4;5,6", "2,8 4 5,6", "f/2.8,f/4,f/5.6"])
def test_lists(text):
    assert read_numbers(text, "f-number") == [2.8, 4.0, 5.6]


def test_a_list_with_decimal_commas_alone_is_not_guessed():
    with pytest.raises(SettingError, match="in two ways"):
        read_numbers("2,8,4,5,6")
    assert read_numbers("0,2,0", "degrees", count=3) == [0.0, 2.0, 0.0]
    assert read_numbers("24,35,50") == [24.0, 35.0, 50.0]
    assert read_numbers("16,8,4") == [16.0, 8.0, 4.0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("f/2,8", "2.8, or f/2,f/8"),
        ("2,8", "2.8, or f/2,f/8"),
        ("2,4,5,6", "4.5, or f/4,f/5"),
        ("1,4,8", "1.4, or f/1,f/4"),
    ],
)
def test_two_stops_that_may_be_one_with_a_decimal_comma_are_asked_for_anew(text, says):
    with pytest.raises(SettingError) as refused:
        read_numbers(text, "f-number")
    assert str(refused.value) == f"«{text}» can be read in two ways: write {says}"


@pytest.mark.parametrize("text", ["4,8", "2, 8", "f/2,f/8", "2,5.6", "16,22", "2;8", "8,16"])
def test_two_stops_that_are_no_third_of_a_stop_are_two(text):
    assert len(read_numbers(text, "f-number")) == 2


@pytest.mark.parametrize(
    ("text", "kind", "says"), [("24_70", "mm", "50, or 24-70"), ("x", "f-number", "2.8, or 3.5-5.6")]
)
def test_what_is_neither_number_nor_range_is_shown_both_forms(text, kind, says):
    with pytest.raises(SettingError, match=f"is neither a number nor a range: write {says}"):
        read_range(text, kind)
