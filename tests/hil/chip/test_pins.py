"""Pins, PWM, ADC, bounce, and what survives a reset and a power cut."""

from collections.abc import Callable
from pathlib import Path

import pytest

from airquill_hil.chip import Chip, ChipError

pytestmark = pytest.mark.chip
Ask = Callable[[str], str]
Ready = Callable[[Chip], None]
PEDAL, LAMP, PUMP = 14, 15, 16


@pytest.mark.parametrize(("hz", "duty"), [(25_000, 8192), (20_000, 65535), (1000, 32768), (100, 6554), (40_000, 1)])
def test_pwm_registers_follow_the_data_sheet(ask: Ask, chip: Chip, hz: int, duty: int) -> None:
    assert ask(f"pwm {hz} {duty}") == "ok"
    pwm = chip.pwm(PUMP)
    # RP2040 data sheet, 4.5.2.6: f = f_sys / ((TOP + 1) x (CSR_PH_CORRECT + 1) x (DIV_INT + DIV_FRAC / 16)).
    channel = chip.mcu.pwm.channels[0]
    whole, frac = channel.div >> 4, channel.div & 15
    assert pwm.frequency_hz == 125e6 / ((channel.top + 1) * (1 + (channel.csr >> 1 & 1)) * (whole + frac / 16))
    step_hz = pwm.frequency_hz / (pwm.top + 1)
    assert abs(pwm.frequency_hz - hz) <= step_hz
    assert abs(pwm.duty - duty / 65535) <= 1 / (pwm.top + 1)


def test_pwm_pin_toggles_with_the_registers(ask: Ask, chip: Chip) -> None:
    ask("pwm 25000 8192")
    chip.run(1)
    edges = chip.edges(PUMP)
    chip.run(2)
    rises = [edge.at_ns for edge in edges.list if edge.high]
    falls = [edge.at_ns for edge in edges.list if not edge.high]
    assert len(rises) == pytest.approx(50, abs=1)
    assert rises[10] - rises[9] == pytest.approx(40_000, abs=1)
    edges.stop()
    ask("pwm 25000 0")
    high = next(fall for fall in falls if fall > rises[9]) - rises[9]
    assert high == pytest.approx(625 * 8, abs=1)  # compare 625 of 5000 at 8 ns


def test_pwm_log_stamps_changes(ask: Ask, chip: Chip) -> None:
    log = chip.pwm_log(PUMP)
    ask("pwm 25000 65535")
    ask("pwm 25000 0")
    log.stop()
    # A second write at the same place is no change and is not noted.
    duties = [pwm.duty for _, pwm in log.changes]
    assert max(duties) == 1.0
    assert duties[-1] == 0.0
    stamps = [at for at, _ in log.changes]
    assert stamps == sorted(stamps)


def test_adc_takes_a_value_or_a_function_of_time(ask: Ask, chip: Chip) -> None:
    chip.set_adc(26, 2048)
    assert int(ask("adc")) >> 4 == 2048
    chip.set_adc(26, lambda seconds: 1000 + seconds)
    assert int(ask("adc")) >> 4 == pytest.approx(1000 + chip.ms / 1000, abs=1)


def test_every_bounce_edge_arrives(ask: Ask, chip: Chip) -> None:
    before = int(ask("edges"))
    chip.press(PEDAL, edges_us=(50, 120, 300, 700))
    chip.run(5)
    assert int(ask("edges")) - before == 5
    assert chip.level(LAMP) is True


def test_an_odd_bounce_pattern_is_refused(chip: Chip) -> None:
    with pytest.raises(ChipError, match="even"):
        chip.press(PEDAL, edges_us=(50,))


def test_alarms_fall_exactly(chip: Chip) -> None:
    seen: list[float] = []
    start = chip.ns
    chip.at(1.2345, lambda: seen.append(chip.ns - start))
    chip.run(3)
    assert seen == [pytest.approx(1_234_500, abs=0.01)]


def test_power_cut_lets_go_of_pins_and_keeps_flash(ask: Ask, chip: Chip, ready: Ready) -> None:
    chip.press(PEDAL)
    chip.run(20)
    edges = chip.edges(LAMP)
    count = int(ask("count"))
    flash = chip.flash
    chip.cut_power()
    assert chip.level(LAMP) is None
    assert [edge.high for edge in edges.list] == [False]
    before = chip.ms
    chip.run(1000)
    assert chip.ms - before == pytest.approx(1000)
    assert chip.flash == flash
    chip.release(PEDAL)
    starts = chip.starts
    chip.power_up()
    ready(chip)
    assert int(ask("count")) == count + 1
    assert chip.starts == starts + 1


def test_reset_starts_again_and_keeps_flash(ask: Ask, chip: Chip, ready: Ready) -> None:
    count = int(ask("count"))
    chip.reset()
    assert not chip.host.configured
    ready(chip)
    assert int(ask("count")) == count + 1


def test_power_up_twice_is_refused(chip: Chip) -> None:
    with pytest.raises(ChipError, match="already has power"):
        chip.power_up()


def test_a_file_that_is_no_uf2_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ChipError, match="Check the path"):
        Chip(tmp_path / "absent.uf2")
    (tmp_path / "bad.uf2").write_bytes(b"x" * 512)
    with pytest.raises(ChipError, match="not a UF2"):
        Chip(tmp_path / "bad.uf2")
