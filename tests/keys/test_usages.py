import pytest

from airquill.errors import AirquillError
from airquill.keys import NAMES, name_of, usage_of
from airquill.keys.usages import modifier_names


def test_every_name_finds_its_number_however_it_is_written():
    assert set(NAMES) == {*range(0x04, 0x74), *range(0xE0, 0xE8)}
    assert len(set(NAMES.values())) == len(NAMES)
    for number, name in NAMES.items():
        for spelling in (name, name.upper(), name.replace(" ", ""), name.replace(" ", "_"), f"  Keyboard {name} "):
            assert usage_of(spelling) == number


@pytest.mark.parametrize(
    ("short", "name"),
    [("ctrl", "Left Control"), ("AltGr", "Right Alt"), ("del", "Delete"), ("pgdn", "Page Down"), ("return", "Enter"),
     ("down", "Down Arrow"), ("win", "Left GUI"), ("esc", "Escape")],
)  # fmt: skip
def test_short_names(short, name):
    assert name_of(usage_of(short)) == name


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ("Pge Down", "Page Down"),
        ("Entr", "Enter"),
        ("Left Cntrl", "Left Control"),
        ("F25", "F2"),
        ("@", 'put it in quotes: "@"'),
        ("Tab Enter", "Tab + Enter to press them together"),
        ("zzzzqqqq", "such as Down Arrow"),
    ],
)
def test_an_unknown_name_is_refused_with_what_to_write(wrong, said):
    with pytest.raises(AirquillError) as caught:
        usage_of(wrong)
    assert said in caught.value.sentence
    assert caught.value.exit_code == 2


def test_modifier_bits():
    # USB HID 1.11, section 8.3: bit 0 Left Control to bit 7 Right GUI.
    assert modifier_names(0b1000_0001) == ["Left Control", "Right GUI"]
