import pytest
from hypothesis import given
from hypothesis import strategies as st

from airquill.errors import AirquillError
from airquill.keys import LAYOUT_NAMES, Chord, Stroke, decode, describe, encode, layout, parse, typed
from airquill_device import stroke as device_stroke
from airquill_protocol import tables as t
from keys.unit_keyboard import play

usages = st.lists(st.integers(0x04, 0x73), unique=True, max_size=6)
times_ms = st.integers(10, 2000)


@st.composite
def strokes(draw):
    """Strokes that a unit can hold; a time once set stays set, as nothing can take it back."""
    hold_ms = gap_ms = None
    chords = []
    for keys, modifiers in draw(st.lists(st.tuples(usages, st.integers(0, 255)), min_size=1, max_size=9)):
        hold_ms = draw(st.one_of(st.just(hold_ms), times_ms))
        gap_ms = draw(st.one_of(st.just(gap_ms), times_ms))
        chords.append(Chord(modifiers if keys else modifiers or 1, tuple(keys), hold_ms, gap_ms))
    while len(Stroke(tuple(chords)).program) > t.STROKE_BYTES:
        chords.pop()
    return Stroke(tuple(chords))


@given(strokes())
def test_program_and_canonical_text_lead_back_to_the_same_stroke(stroke):
    assert decode(stroke.program) == stroke
    assert parse(stroke.text) == stroke
    assert parse(stroke.text.upper().replace(" + ", "+")) == stroke


@given(
    st.one_of(st.binary(max_size=80), strokes().flatmap(lambda s: st.binary(max_size=3).map(lambda b: s.program + b)))
)
def test_host_and_device_agree_on_what_a_sound_program_is(program):
    try:
        decode(program)
    except AirquillError:
        assert device_stroke.check(program) != 0
    else:
        assert device_stroke.check(program) == 0


@given(strokes())
def test_the_device_plays_what_the_stroke_says(stroke):
    reports = [report for _, report in play(stroke.program)]
    seen = [(report[0], tuple(code for code in report[2:] if code)) for report in reports]
    expected = []
    for chord in stroke.chords:
        # Modifiers down, keys down, keys up, modifiers up; no report that changes nothing.
        expected += [(chord.modifiers, ())] if chord.modifiers and chord.usages else []
        expected += [(chord.modifiers, chord.usages)]
        expected += [(chord.modifiers, ())] if chord.modifiers and chord.usages else []
        expected += [(0, ())]
    assert seen[-len(expected) :] == expected
    assert all(press == (0, ()) for press in seen[: -len(expected)])


@pytest.mark.parametrize(
    ("written", "program", "canonical"),
    [
        ("Down Arrow", "110051", "Down Arrow"),
        ("ctrl+c,  gap 100ms, CTRL + v", "026400110106110119", "gap 100 ms, Left Control + C, Left Control + V"),
        ("Tab times 3", "11002b11002b11002b", "Tab times 3"),
        ("hold 40 ms, Enter", "012800110028", "hold 40 ms, Enter"),
        ("hold 40 ms Enter", "012800110028", "hold 40 ms, Enter"),
        ("Enter hold 40 ms", "012800110028", "hold 40 ms, Enter"),
        ("Tab, Enter, gap 50 ms, Tab", "11002b02320011002811002b", "Tab, Enter, gap 50 ms, Tab"),
        ("shift", "1002", "Left Shift"),
        ("A+B+C+D+E+F", "1600040506070809", "A + B + C + D + E + F"),
        ('"a, b"', "11000411003611002c110005", "A, Comma, Space, B"),
        ('"z" on de, "z" on us', "11001c11001d", "Y, Z"),
        ("'\"'", "110234", "Left Shift + Apostrophe"),
        ('"x" times 2', "11001b11001b", "X times 2"),
    ],
)
def test_written_strokes(written, program, canonical):
    stroke = parse(written)
    assert stroke.program.hex() == program
    assert stroke.text == canonical


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("", "empty"),
        ("  ", "empty"),
        ("Tab,, Enter", "nothing beside a comma"),
        ("Tab,", "nothing beside a comma"),
        ("Pge Down", "Did you mean Page Down"),
        ("A+B+C+D+E+F+G", "at most 6 keys"),
        ("Ctrl + Left Control", "there twice"),
        ("A + ", "missing beside +"),
        ("hold 5 ms, A", "from 10 to 2000"),
        ("gap 2001 ms, A", "from 10 to 2000"),
        ("hold 40, A", "hold 40 ms"),
        ("hold 1 s, A", "hold 40 ms"),
        ("hold ² ms, A", "hold 40 ms"),
        ("hold 40 ms", "presses no key"),
        ("times 3", "right after its chord"),
        ("Tab times", "Tab times 3"),
        ("Tab times 0", "from 1 to 72"),
        ("Tab times -1", "from 1 to 72"),
        ("Tab times 99999999999", "from 1 to 72"),
        ("Tab times 25", "too long: it takes 75 bytes and the unit holds 72"),
        ('"', "never closed"),
        ('""', "no text"),
        ('"x" + Enter', "does not belong there"),
        ('"x" Enter', "does not belong there"),
        ('"€"', "us cannot type '€'. These can: gb, de"),
        ('"漢"', "No layout here can"),
        ('"a\nb"', "Name the key instead, such as Enter"),
        ('"a" on dee', "Did you mean de?"),
        ("Enter hold 500 ms, Tab", "Write hold as a step"),
        ("f(x)", "no key 'f(x)'"),
        ("{Enter}", "no key '{Enter}'"),
    ],
)
def test_bad_strokes_are_refused_with_a_sentence(written, said):
    with pytest.raises(AirquillError) as caught:
        parse(written)
    assert said in caught.value.sentence
    assert caught.value.exit_code == 2


@given(st.text(max_size=60))
def test_whatever_is_written_is_a_stroke_or_a_sentence(written):
    try:
        stroke = parse(written)
    except AirquillError as error:
        assert error.sentence.endswith((".", "?"))
    else:
        assert stroke.chords


@given(st.text(alphabet=sorted("abc,+\"'0123456789 holdgaptimesonENTER"), max_size=40))
def test_words_of_the_language_in_any_order_are_a_stroke_or_a_sentence(written):
    test_whatever_is_written_is_a_stroke_or_a_sentence.hypothesis.inner_test(written)


@pytest.mark.parametrize(
    ("program", "said"),
    [
        ("00", "byte 0: 0x00 starts no step"),
        ("110051ff", "byte 3"),
        ("1100", "cut off"),
        ("0128", "10 to 2000 ms"),
        ("010900110051", "10 to 2000 ms"),
        ("012800", "presses no key"),
        ("1000", "must hold keys"),
        ("12000404", "each once"),
        ("1100e3", "no key"),  # a modifier among the keys would get past the rule for system chords
        ("110001", "no key"),
        ("110004" * 25, "75 bytes; a unit holds 72"),
    ],
)
def test_damaged_programs_are_refused(program, said):
    with pytest.raises(AirquillError, match=said):
        decode(bytes.fromhex(program))


def test_an_empty_program_is_nothing_bound():
    assert decode(b"") == Stroke(())
    assert describe(b"") == "nothing bound"


@pytest.mark.parametrize(
    ("written", "host", "phrase"),
    [
        ("Down Arrow times 3", "us", "presses Down Arrow 3 times"),
        ('"20 pcs" on de, Enter', "de", 'types "20 pcs", then presses Enter'),
        ('"20 pcs"', "fr", 'types "éà pcs"'),
        ("ctrl + z", "de", "presses Left Control + Z (Left Control + Y on that keyboard)"),
        ("ctrl + z", "us", "presses Left Control + Z"),
        ("ctrl + c", "dvorak", "presses Left Control + C (Left Control + J on that keyboard)"),
        ("alt + tab", "dvorak", "presses Left Alt + Tab"),
        ("equals", "de", "presses Equals (a dead key, which waits for a letter)"),
        ("space times 2", "us", "presses Space 2 times"),
        ("a + b", "us", "presses A + B"),
        ("'José' on es", "es", 'types "José"'),
    ],
)
def test_describe(written, host, phrase):
    assert describe(encode(written), host) == phrase


@given(st.data())
def test_text_arrives_as_written_on_its_layout(data):
    host = data.draw(st.sampled_from(LAYOUT_NAMES))
    alphabet = sorted(layout(host).characters() - {'"', "'"})
    text = data.draw(st.text(alphabet=alphabet, min_size=1, max_size=8)).strip(" ")
    if text:
        program = encode(f'"{text}"', host)
        assert typed(play(program), host) == f'"{text}"'
