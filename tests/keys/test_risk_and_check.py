import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.keys import check, encode, fingerprint, layout, needed_settings, needs_consent, reasons
from airquill_device import stroke as device_stroke

words = st.sampled_from(["Down Arrow", "Left Shift + Tab", "A + B", "Left Control + C", "AltGr + Q", "Left GUI", "F13"])
many = st.lists(st.sampled_from("ABCDEFGHIJ"), min_size=1, max_size=6, unique=True).map(" + ".join)


@pytest.mark.parametrize(
    "harmless", ["Down Arrow", "F13", "Left Shift + Tab", "A", '"x"', "Right Shift", "hold 100 ms, Enter"]
)
def test_one_key_with_or_without_shift_needs_no_consent(harmless):
    assert not needs_consent(encode(harmless))
    assert needed_settings(encode(harmless)) == []


@pytest.mark.parametrize(
    ("stroke", "reason", "settings"),
    [
        ("Left Control + C", "holds Left Control", ["keys.allow_system"]),
        ("Right Alt + Q", "holds Right Alt", ["keys.allow_system"]),
        ("Left GUI", "holds Left GUI", ["keys.allow_system"]),
        ("Tab, Enter", "sends 2 chords", []),
        ("A + B", "presses 2 keys at once", []),
        ("Power", "switch the PC off", []),
        ("hold 300 ms, Down Arrow", "repeat", []),
        ('"12345678"', "sends 8 chords", []),
        ('"123456789"', "9 keys in 9 chords, enough to type a command", ["keys.allow_text"]),
        (
            "C + U + R + L, E + V + I + L, Space + X",
            "10 keys in 3 chords, enough to type a command",
            ["keys.allow_text"],
        ),
    ],
)
def test_everything_else_is_asked_for_with_its_reason(stroke, reason, settings):
    program = encode(stroke)
    assert needs_consent(program)
    assert any(reason in said for said in reasons(program))
    assert needed_settings(program) == settings


@given(st.lists(words | many, min_size=1, max_size=9).map(", ".join))
def test_what_the_device_refuses_the_host_has_named_before(text):
    program = encode(text)
    needed = needed_settings(program)
    assert bool(device_stroke.allowed(program, 0, 1)) == ("keys.allow_system" in needed)
    assert bool(device_stroke.allowed(program, 1, 0)) == ("keys.allow_text" in needed)
    assert device_stroke.allowed(program, "keys.allow_system" in needed, "keys.allow_text" in needed) == 0
    assert needs_consent(program) or not needed


def test_consent_holds_for_one_program_only():
    assert fingerprint(encode("Left Control + C")) == fingerprint(encode("ctrl+c"))
    assert fingerprint(encode("Left Control + C")) != fingerprint(encode("Left Control + V"))


def kinds(stroke, host="us"):
    return {finding.kind: finding.sentence for finding in check(encode(stroke, host), host)}


def test_keys_that_are_the_same_everywhere_have_no_findings():
    for stroke in ("Down Arrow", "Page Down", "Enter", "Tab times 3", "Left Shift + Tab"):
        for host in ("us", "de", "fr", "dvorak"):
            assert kinds(stroke, host) == {}


def test_a_key_that_moves_names_where_to():
    # Known to everybody who changed between them: QWERTY, QWERTZ, AZERTY.
    assert 'on de, ch it types "y"; on fr it types "w"' in kinds("Z")["moves"]
    assert 'on fr it types "q"' in kinds("A")["moves"]


def test_dead_key_repeat_locks_and_right_alt():
    assert "dead key on de" in kinds("Equals", "de")["dead"]
    assert "300 ms" in kinds("hold 300 ms, Down Arrow")["repeat"]
    assert kinds("hold 250 ms, Down Arrow") == {}
    assert "Num Lock" in kinds("Keypad 4")["locks"]
    found = kinds('"@"', "de")
    assert "Right Alt + Q types '@'" in found["alt_gr"]
    assert "keys.allow_system" in found["refused"]


@pytest.mark.parametrize(
    ("stroke", "said"),
    [
        ("Left GUI", "start menu"),
        ("Left GUI + L", "locks the screen"),
        ("Left GUI + E", "never reaches the program"),
        ("Left Alt + Tab", "switches windows"),
        ("Left Alt + Left Shift + Tab", "switches windows"),
        ("Left Control + Left Alt + Delete", "security screen"),
        ("Left Control + Left Alt + F3", "text console"),
        ("Right Alt + F4", "closes the window"),
        ("Print Screen", "picture"),
        ("Caps Lock", "changes what later keys do"),
        ("F13", "Tools or Launch"),
    ],
)
def test_what_the_system_grabs_is_said(stroke, said):
    assert said in kinds(stroke)["system"]


def test_layouts_by_other_names_and_unknown_ones():
    assert layout("UK").name == "gb"
    assert layout("us-dvorak").name == "dvorak"
    assert layout("German").name == "de"
    with pytest.raises(AirquillError, match="Did you mean dvorak"):
        layout("dvorac")
    with pytest.raises(AirquillError, match="There are: us, gb, de"):
        layout("klingon")


@pytest.mark.parametrize("entry", [check, reasons, needed_settings])
def test_damaged_programs_are_refused_everywhere(entry):
    with pytest.raises(AirquillError, match="damaged"):
        entry(b"\x11\x00")
