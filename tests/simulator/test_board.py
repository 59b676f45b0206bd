"""The virtual board alone: ticks, one-shots, contacts, keyboard host, air behind the sensor."""

from collections.abc import Callable

import pytest

from airquill.simulator.board import Reset, VirtualBoard
from airquill.simulator.clock import VirtualClock
from airquill.simulator.contacts import BOUNCE
from airquill.simulator.flash import Flash, MemoryCells
from airquill.simulator.wire import Wire
from airquill.simulator.world import World

MS = 1000
FULL = 65535


class Bench:
    def __init__(self, seed: int = 1, **options: object) -> None:
        self.clock = VirtualClock()
        self.world = World(seed)
        self.wire = Wire()
        self.flash = Flash(MemoryCells(), self.world.noise, self.clock.spend)
        self.board = VirtualBoard(self.world, self.flash, self.clock, self.wire, 2, **options)  # type: ignore[arg-type]

    def run(self, ms: float, each: Callable[[], None] = lambda: None) -> None:
        end = self.clock.us + round(ms * MS)
        while self.clock.us < end:
            each()
            self.clock.us = min(end, self.clock.us + MS)

    def vacuum(self) -> float:
        return float(self.world.truth(self.clock.us)["pen_kpa"])


def test_ticks_wrap_within_the_first_moments() -> None:
    """MicroPython's documentation of time.ticks_diff; 2**30 on the chip, measured."""
    bench = Bench()
    first = bench.board.ticks_us()
    bench.run(10)
    second = bench.board.ticks_us()
    assert second < first < 1 << 30
    assert bench.board.ticks_diff(second, first) == 10000
    assert bench.board.ticks_diff(first, second) == -10000
    assert bench.board.ticks_add(first, 10000) == second
    bench.board.sleep_until(bench.board.ticks_add(second, 250))
    assert bench.board.ticks_diff(bench.board.ticks_us(), second) == 250


def test_open_and_sealed_tip_as_the_trade_expects() -> None:
    """Open vacuum behind a 22G needle on a linear 5 L/min, 65 kPa pump: about 48 kPa at full drive (computed, 30 %)."""
    bench = Bench()
    bench.board.pump(FULL)
    bench.board.valve(FULL, 50 * MS, FULL // 2)
    bench.run(3000)
    opened = bench.vacuum()
    assert opened == pytest.approx(48, rel=0.3)
    bench.world.set_tip(bench.clock.us, "sealed")
    bench.run(3000)
    sealed = bench.vacuum()
    assert opened + 5 < sealed < 66
    bench.board.valve_off()
    bench.run(500)
    assert abs(bench.vacuum()) < 0.05


def test_the_sensor_follows_the_pen() -> None:
    bench = Bench()
    bench.board.pump(FULL)
    bench.board.valve(FULL, 50 * MS, FULL // 2)
    bench.run(2000)
    codes = [bench.board.sensor_code() for _ in range(200)]
    # Factory calibration of the registry: zero at code 3277, 108.8 kPa over 65536.
    mean = (sum(codes) / len(codes) - 3277) / 65536 * 108.8
    assert mean == pytest.approx(bench.vacuum(), abs=0.1)
    assert len(set(codes)) > 5
    assert Bench(parts=("keyboard",)).board.sensor_code() == -1


def test_peak_ends_at_its_own_time_however_long_the_pass() -> None:
    bench = Bench()
    bench.board.valve(FULL, 50 * MS, 20000)
    bench.clock.us += 49 * MS
    assert bench.board.valve_duty() == FULL
    bench.clock.us += 2 * MS
    assert bench.board.valve_duty() == 20000
    bench.board.valve(FULL, 50 * MS, 0)  # hold of nothing: the valve falls when the peak ends
    bench.clock.us += 400 * MS
    assert bench.board.valve_duty() == 0
    assert float(bench.world.truth(bench.clock.us)["valve_open"]) == 0.0


def test_safe_and_reset_take_all_outputs_down() -> None:
    bench = Bench()
    bench.board.pump(FULL)
    bench.board.valve(FULL, 50 * MS, FULL)
    bench.board.pulse(0, 100 * MS)
    bench.board.safe()
    bench.run(200)
    truth = bench.world.truth(bench.clock.us)
    assert (truth["pump_duty"], truth["valve_drive"]) == (0.0, 0.0)
    with pytest.raises(Reset) as reset:
        bench.board.restart()
    assert reset.value.cause == "restart"


def test_a_pulse_drives_one_output_for_its_time() -> None:
    bench = Bench()
    bench.board.pulse(1, 30 * MS)
    bench.clock.us += 29 * MS
    assert bench.board.valve_duty() == FULL
    bench.clock.us += 2 * MS
    assert bench.board.valve_duty() == 0


@pytest.mark.parametrize("name", sorted(BOUNCE))
def test_a_burst_ends_where_the_foot_put_it(name: str) -> None:
    bench = Bench()
    start = bench.clock.us
    bench.world.contacts.move(start, 1, True, name)
    assert bench.board.pedal_edge(1) == bench.board.ticks_us(), "the first edge is stamped when it comes"
    edges = []
    end = start + 40 * MS
    while bench.clock.us < end:
        bench.clock.us += 10
        if bench.board.pedal_edge(1) >= 0:
            edges.append(bench.clock.us - start)
    assert edges == list(BOUNCE[name])
    assert bench.board.pedals() == 2
    assert bench.board.pedal_edge(0) == -1


def test_an_edge_is_stamped_once_until_asked_and_late_during_an_erase() -> None:
    bench = Bench()
    began = bench.board.ticks_us()
    bench.world.contacts.move(5 * MS, 0, True, (500, 1000))
    bench.board.store_erase(0)
    assert bench.board.pedals() == 0x101, "closed, and an edge waits"
    # Interrupts are off while flash is erased; the pin's own memory of one edge is served right after.
    assert bench.board.ticks_diff(bench.board.pedal_edge(0), began) == bench.clock.us
    assert bench.board.pedal_edge(0) == -1


def test_a_closed_at_rest_contact_reads_the_other_way() -> None:
    bench = Bench()
    bench.world.contacts.normally_closed[0] = True
    bench.board.refresh_contacts()
    assert bench.board.pedals() == 1
    bench.world.contacts.move(bench.clock.us, 0, True, "clean")
    bench.clock.us += 1
    assert bench.board.pedals() == 0x100, "open, and an edge waits"


def test_reports_are_taken_one_a_frame() -> None:
    """A full-speed host polls at most once a millisecond: USB 2.0, 5.7.4."""
    bench = Bench()
    assert bench.board.key_host() == 0, "the host needs a moment to find the unit"
    bench.run(6)
    assert (bench.board.key_host(), bench.board.key_mounts()) == (2, 1)
    assert bench.board.key_report(b"\0\0\x51\0\0\0\0\0")
    assert not bench.board.key_report(bytes(8)), "an unread report is not overwritten"
    bench.run(1)
    assert bench.board.key_report(bytes(8))
    bench.run(1)
    bench.board.key_host()
    assert bench.world.keyhost.captured == [(7000, "0000510000000000"), (8000, "0000000000000000")]


def test_host_asleep_absent_and_deaf() -> None:
    bench = Bench()
    bench.run(10)
    host = bench.world.keyhost
    assert bench.board.key_mounts() == 1
    host.state = "asleep"
    assert bench.board.key_host() == 1
    assert not bench.board.key_report(bytes(8))
    host.state = "ready"
    assert (bench.board.key_host(), bench.board.key_mounts()) == (2, 2)
    host.state = "deaf"
    assert bench.board.key_report(bytes(8))
    bench.run(50)
    assert not bench.board.key_report(bytes(8))
    assert host.captured == []
    host.state = "absent"
    assert bench.board.key_host() == 0


def test_a_line_without_a_host_loses_bytes_and_an_unread_one_fills() -> None:
    bench = Bench()
    assert bench.board.serial_write(b"x" * 300, 0, 300) == 256
    assert bench.wire.to_host == b""
    bench.wire.is_open = True
    assert bench.board.serial_write(b"x" * 300, 0, 300) == 256
    assert bench.board.serial_write(b"y" * 10, 0, 10) == 0
    bench.wire.to_unit += b"hello"
    buf = bytearray(3)
    assert (bench.board.serial_read(buf), bytes(buf)) == (3, b"hel")
    assert (bench.board.serial_read(buf), bytes(buf)) == (2, b"lol")
    assert bench.board.serial_read(buf) == 0


def test_long_idle_time_costs_one_air_step() -> None:
    bench = Bench()
    bench.board.pump(FULL)
    bench.board.valve(FULL, 50 * MS, FULL // 2)
    bench.run(2000)
    bench.board.safe()
    bench.run(2000)
    bench.vacuum()
    calls = []
    step = bench.world.air.step
    bench.world.air.step = lambda dt_s: (calls.append(dt_s), step(dt_s))[1]
    bench.clock.us += 3600 * 1000 * MS
    bench.vacuum()
    assert len(calls) < 20


@pytest.mark.parametrize("gap_ms", [1, 7, 40, 333])
def test_how_often_the_air_is_looked_at_does_not_change_it(gap_ms: int) -> None:
    def trace(gap: int) -> float:
        bench = Bench()
        bench.board.pump(FULL)
        bench.board.valve(FULL, 50 * MS, FULL // 2)
        while bench.clock.us < 333 * MS:
            bench.clock.us = min(bench.clock.us + gap * MS, 333 * MS)
            bench.vacuum()
        return bench.vacuum()

    assert trace(gap_ms) == pytest.approx(trace(1), abs=0.3)
