"""The unit's end of the line, byte by byte, on a virtual unit: framing, at most once, events, batches, robustness."""

from __future__ import annotations

import random
from binascii import crc32
from collections.abc import Iterator

import pytest

from airquill.simulator.control import Control
from airquill.simulator.unit import Unit


def framed(body: str) -> bytes:
    return f"{body} *{crc32(body.encode()):08x}\n".encode()


class Line:
    """Raw bytes to and from one unit."""

    def __init__(self) -> None:
        self.unit = Unit(seed=3)
        self.unit.wire.is_open = True
        self.hands = Control.of(self.unit)
        self.half = b""

    def send(self, data: bytes, ms: int = 60) -> list[str]:
        """Send bytes and return the lines that come in the next ms, check sums taken off after they were looked at."""
        self.unit.wire.to_unit += data
        return self.hear(ms)

    def hear(self, ms: int) -> list[str]:
        self.unit.advance(ms * 1000)
        data = self.half + bytes(self.unit.wire.to_host)
        self.unit.wire.to_host.clear()
        whole, _, self.half = data.rpartition(b"\n")
        lines = whole.decode().split("\n") if whole else []
        out = []
        for line in lines:
            if line[-10:-8] == " *":
                assert f"{crc32(line[:-10].encode()):08x}" == line[-8:]
                line = line[:-10]
            out.append(line)
        return out

    def ask(self, body: str, ms: int = 60) -> str:
        (reply,) = self.send(framed(body), ms)
        return reply


@pytest.fixture
def line() -> Iterator[Line]:
    line = Line()
    yield line
    line.unit.power_cut()


@pytest.fixture
def greeted(line: Line) -> Line:
    assert line.ask("1 hello 4711").startswith("1 done protocol=1 session=4711 firmware=")
    return line


def test_a_person_needs_neither_id_nor_check_sum(line: Line) -> None:
    assert line.send(b"get pump.ramp_ms\r\n") == ["done pump.ramp_ms=150"]
    assert line.send(b"get pump.ramp\n")[0].startswith("error 200 unknown_path")


def test_after_a_framed_greeting_a_person_is_refused_until_the_next_start(greeted: Line) -> None:
    (reply,) = greeted.send(b"set pump.ramp_ms=700\n")
    assert reply.startswith("- error 103 unframed")
    assert greeted.ask("2 get pump.ramp_ms") == "2 done pump.ramp_ms=150"
    greeted.unit.power_cut()
    greeted.unit.power_up()
    greeted.unit.wire.is_open = True
    greeted.hear(500)
    assert greeted.send(b"get pump.ramp_ms\n") == ["done pump.ramp_ms=150"]


def test_a_program_must_greet_first(line: Line) -> None:
    assert line.ask("5 get pump.ramp_ms").startswith("5 error 104 no_session")


def test_the_same_request_again_gives_the_same_reply_and_runs_nothing(greeted: Line) -> None:
    request = framed("2 do pick")
    assert greeted.send(request) == ["2 done"]
    greeted.ask("3 do release", 600)
    assert greeted.send(framed("4 do pick")) == ["4 done"]
    assert greeted.send(framed("4 do pick")) == ["4 done"]
    assert greeted.ask("5 get cycle.picks") == "5 done cycle.picks=2"


def test_the_same_id_with_another_request_is_an_error(greeted: Line) -> None:
    greeted.ask("2 get pump.ramp_ms")
    assert greeted.ask("2 get pump.kick_ms").startswith("2 error 102 id_reused")


def test_a_greeting_is_never_taken_from_the_cache_and_ends_subscriptions(greeted: Line) -> None:
    greeted.ask("2 listen cycle")
    assert "session=5" in greeted.ask("1 hello 5")
    assert "session=6" in greeted.ask("1 hello 6")
    assert greeted.send(framed("3 do pick"), 500) == ["3 done"]


@pytest.mark.parametrize(
    "garbage",
    [
        b"\x00\xff" * 40 + b"\n",
        b"x" * 1000 + b"\n",
        b"9 get pump.ramp_ms *00000000\n",
        b"\n\r\n",
        b"8 get \x03pump\n",
        b"*\n",
        b" *\n",
    ],
)
def test_garbage_gets_no_reply_and_the_next_line_is_heard(greeted: Line, garbage: bytes) -> None:
    greeted.send(garbage, 300)
    assert greeted.ask("9 get pump.ramp_ms") == "9 done pump.ramp_ms=150"


def test_damaged_and_overlong_lines_are_counted(greeted: Line) -> None:
    greeted.send(b"9 get pump.ramp_ms *00000000\n" + b"y" * 400 + b"\n", 300)
    assert greeted.ask("2 get link.bad_lines") == "2 done link.bad_lines=2"


def test_ten_thousand_random_lines_stop_nothing(greeted: Line) -> None:
    draw = random.Random(7)
    words = [
        "get",
        "set",
        "do",
        "batch",
        "hello",
        "list",
        "describe",
        "listen",
        "stream",
        "save",
        "open",
        "pump.ramp_ms",
        '"',
        "=",
        "-1",
    ]
    for block in range(100):
        lines = b""
        for number in range(100):
            if draw.random() < 0.5:
                lines += bytes(draw.randrange(4, 256) for _ in range(draw.randrange(30))).replace(b"\n", b"") + b"\n"
            else:
                lines += framed(f"{block * 100 + number} " + " ".join(draw.choices(words, k=draw.randrange(1, 5))))
        greeted.unit.wire.to_unit += lines
        while greeted.unit.wire.to_unit:
            greeted.hear(50)
        greeted.send(b"\n\n", 200)
    greeted.send(b"\n", 200)
    assert greeted.ask("1 hello 1").startswith("1 done")
    assert greeted.ask("2 get pump.duty_pct").startswith("2 done")
    assert greeted.unit.starts == 1


def test_ctrl_c_at_the_start_of_a_line_goes_to_the_prompt_with_outputs_safe(greeted: Line) -> None:
    greeted.ask("2 do pick", 300)
    assert greeted.hands.outputs()["pump"] > 0
    greeted.send(b"\x03", 20)
    assert greeted.unit.app is None
    assert (greeted.unit.board.pump_duty, greeted.unit.board.valve_duty()) == (0, 0)


def test_events_carry_running_numbers_and_a_gap_shows_what_was_dropped(greeted: Line) -> None:
    greeted.ask("2 listen cycle pedal gesture")
    heard: list[str] = []
    for _ in range(12):
        greeted.hands.press(1, ms=60, bounce="clean")
        heard += greeted.hear(400)
    # Nobody acknowledged: at most one line's worth of bytes has left.
    assert sum(len(text) + 11 for text in heard) <= 240
    for _ in range(60):
        heard += greeted.send(b"\n", 20)
    numbers = [int(text.split()[1]) for text in heard]
    assert numbers == sorted(set(numbers))
    # The ring is full with the oldest; what comes now shows the gap.
    greeted.hands.press(1, ms=60, bounce="clean")
    later = [text for _ in range(40) for text in greeted.send(b"\n", 20)]
    assert int(later[0].split()[1]) - numbers[-1] > 1
    dropped = int(greeted.ask("3 get link.dropped").rpartition("=")[2])
    assert dropped == int(later[0].split()[1]) - numbers[-1] - 1


@pytest.mark.parametrize("idle_s", [500, 600, 1000])
def test_a_stream_begins_at_once_however_long_ago_the_last_one_was(greeted: Line, idle_s: int) -> None:
    """The clock's difference turns its sign after 537 s, half of its range."""
    greeted.send(framed("2 stream 10 vacuum.kpa"), 50)
    assert "3 done" in greeted.send(framed("3 stream 0") + b"\n" * 9, 300)
    greeted.unit.advance(idle_s * 1_000_000)
    assert any(" reading " in text for text in greeted.send(framed("4 stream 10 vacuum.kpa"), 50))


def test_a_host_that_does_not_read_never_holds_the_loop(greeted: Line) -> None:
    assert "2 done" in greeted.send(framed("2 stream 10 vacuum.kpa pump.duty_pct"))
    before = greeted.unit.passes
    greeted.unit.advance(60_000_000)
    assert greeted.unit.app.link.dropped > 5000
    assert greeted.unit.passes - before >= 59_000
    assert len(greeted.unit.wire.to_host) <= 240
    assert greeted.unit.starts == 1
    assert "3 done" in greeted.send(framed("3 stream 0") + b"\n" * 9, 300)


def test_a_batch_is_all_or_nothing(greeted: Line) -> None:
    assert greeted.ask("2 batch open") == "2 done"
    assert greeted.ask("3 set grip.found_pct=20") == "3 done"
    assert greeted.ask("4 set pump.ramp_ms=700") == "4 done"
    assert greeted.ask("5 batch apply").startswith("5 error 205 rule")
    assert greeted.ask("6 get pump.ramp_ms grip.found_pct") == "6 done pump.ramp_ms=150 grip.found_pct=50"
    assert greeted.ask("7 batch apply").startswith("7 error 302 no_batch")


def test_a_batch_that_was_left_open_ends_with_the_greeting(greeted: Line) -> None:
    greeted.ask("2 batch open")
    greeted.ask("3 set pump.ramp_ms=700")
    greeted.ask("1 hello 2")
    assert greeted.ask("4 batch apply").startswith("4 error 302 no_batch")
    assert greeted.ask("5 get pump.ramp_ms") == "5 done pump.ramp_ms=150"


@pytest.mark.parametrize(
    ("request_text", "word"),
    [
        ("frobnicate", "100 unknown_verb"),
        ("get", "105 missing_field"),
        ("get nothing.here", "200 unknown_path"),
        ("set", "105 missing_field"),
        ("set pump.ramp_ms", "101 line_form"),
        ("set pump.ramp_ms=fast", "201 wrong_type"),
        ("set pump.ramp_ms=1.5", "201 wrong_type"),
        ("set pump.ramp_ms=9999", "202 out_of_range"),
        ("set pedal1.vacuum=sometimes", "203 unknown_word"),
        ('set unit.name="a name far longer than a unit may have"', "204 too_long"),
        ("set grip.lost_pct=60", "205 rule"),
        ("set vacuum.kpa=3", "206 read_only"),
        ("set pedal2.tap_keys=1100", "207 stroke_form"),
        ("set pedal2.tap_keys=110151", "208 stroke_refused"),
        ("do dance", "209 unknown_action"),
        ("do preset", "105 missing_field"),
        ("do preset 9", "202 out_of_range"),
        ("do pick now", "106 extra_field"),
        ("listen weather", "210 unknown_topic"),
        ("stream 5 vacuum.kpa", "202 out_of_range"),
        ("describe settings 999", "202 out_of_range"),
        ("list settings 112", "202 out_of_range"),
        ("save now", "106 extra_field"),
        ("do undo", "308 nothing_to_undo"),
        ("get  x", "101 line_form"),
    ],
)
def test_a_bad_request_gets_its_number_and_changes_nothing(greeted: Line, request_text: str, word: str) -> None:
    before = list(greeted.unit.app.values)
    assert greeted.ask("2 " + request_text).startswith("2 error " + word)
    assert greeted.unit.app.values == before


def test_what_needs_rest_is_refused_while_vacuum_is_on(greeted: Line) -> None:
    greeted.ask("2 do pick")
    assert greeted.ask("3 set pump.pwm_hz=20000").startswith("3 error 300 vacuum_on")
    assert greeted.ask("4 set pump.floor_pct=35") == "4 done"
    assert greeted.ask("5 save").startswith("5 error 300 vacuum_on")


def test_short_of_memory_a_unit_still_stops_and_lets_go(greeted: Line) -> None:
    greeted.ask("2 set valve.vent_ms=2000")
    greeted.ask("3 do pick", 600)
    link = greeted.unit.app.link
    link.spent_bytes = 1 << 20
    assert greeted.ask("4 get cycle.state") == "4 done cycle.state=holding", "collected where nothing moves"
    assert link.spent_bytes < 1 << 20
    assert greeted.ask("5 do release") == "5 done"
    link.spent_bytes = 1 << 20
    assert greeted.ask("6 get cycle.state").startswith("6 error 305 busy"), "the vent is timed: no long pass now"
    assert greeted.ask("7 do stop") == "7 done"
    assert greeted.hands.outputs()["pump"] == 0
    greeted.hear(1100)
    assert greeted.ask("8 get fault.active") == "8 done fault.active=1", "memory was collected"


def test_the_dead_man_stops_a_unit_whose_host_fell_silent(greeted: Line) -> None:
    greeted.ask("2 do dead_man 500")
    greeted.ask("3 do pick")
    for _ in range(5):
        greeted.send(b"\n", 300)
    assert greeted.ask("4 get fault.active").endswith("=0")
    greeted.hear(800)
    assert greeted.hands.outputs()["pump"] == 0
    assert greeted.ask("5 get fault.active") == "5 done fault.active=2"
    assert greeted.ask("6 do clear") == "6 done"


def test_a_failing_part_stops_the_unit_and_the_link_goes_on(greeted: Line) -> None:
    greeted.ask("2 do pick", 300)

    def broken(now: int) -> None:
        raise ValueError

    greeted.unit.app.sensor.tick = broken
    greeted.hear(20)
    assert greeted.hands.outputs()["pump"] == 0
    assert greeted.ask("3 get fault.active") == "3 done fault.active=6"
    assert "what=6" in greeted.ask("4 do log 2") or "what=1001" in greeted.ask("5 do log 2")


def test_what_a_unit_is_can_be_read_from_the_unit_itself(greeted: Line) -> None:
    assert greeted.ask("2 describe").startswith("2 done settings=112 readings=29 actions=19")
    assert greeted.ask("3 describe settings 4") == (
        '3 done path=pump.kick_ms id=11 type=int lowest=0 highest=1000 unit="ms" words=- default=200 live=no'
        " keep=profile since=1"
    )
    assert greeted.ask("4 describe readings 0") == '4 done path=vacuum.kpa type=dec2 unit="kPa" words=- needs=sensor'
    assert greeted.ask("5 describe actions 4") == "5 done name=preset needs=- number=int"
