"""The same promise on the emulated chip, with the real USB stack and a USB host that suspends, resumes, falls deaf and
loses the cable: a few random runs, the same ones every time."""

from __future__ import annotations

import random
from contextlib import closing
from pathlib import Path

import pytest

pytest.importorskip("rp2040py", reason="needs the emulator: pip install airquill[chip]")

from airquill.keys import encode
from airquill.link.client import Client, Refused
from airquill_hil.chip.protocol_chip import url_of
from airquill_hil.chip.unit import Image, Unit
from keys.stuck import BOUND, NOTHING, Told

pytestmark = [pytest.mark.chip, pytest.mark.slow, pytest.mark.timeout(1800)]

ROUNDS = 3
STEPS = 6
ALWAYS = ("cable", "suspend", "power")  # each of them once in every run, each round one, somewhere between its steps
QUIET_MS = 400
DEAF_QUIET_MS = 1300  # after a second without a taker the stroke is dropped
SLEEP_MS = 25  # 3 ms until the bus counts as idle, and some
RESUME_US = 30_000  # the signal takes 20 ms
CONNECTED_US = 1_500_000


class ChipStory:
    """One unit on the emulated chip; the host's captured reports are what its PC has seen."""

    def __init__(self, image: Image, seed: int) -> None:
        self.unit = Unit(image)
        self.chip = self.unit.chip
        self.client = self.unit.client
        self.client.set(BOUND, keep=True)
        self.random = random.Random(seed)
        self.told = Told(after_mount_us=100_000 + RESUME_US)
        self.log: list[str] = []
        self.was_deaf = False
        self.pass_ms(200)
        self.chip.reports.clear()

    def now_us(self) -> int:
        return round(self.chip.ns / 1000)

    def pass_ms(self, ms: float) -> None:
        self.chip.run(ms)

    def reports(self) -> list[tuple[int, bytes]]:
        return [(round(report.taken_ns / 1000), report.data) for report in self.chip.reports]

    def run(self) -> None:
        for special in self.random.sample(ALWAYS, ROUNDS):
            at = self.random.randrange(STEPS)
            for number in range(STEPS):
                self.do(self.random.choice(("press", "press", "press", "wait", "stop", "clear", "strike", "deaf")))
                if number == at:
                    self.press()  # so that there is something to go wrong
                    self.do(special)
            self.quiet()

    def do(self, what: str) -> None:
        self.log.append(f"{self.now_us()} {what}")
        getattr(self, what)()
        self.pass_ms(self.random.choice((1, 7, 17, 29, 41, 80)))

    def press(self) -> None:
        number, ms = self.random.randrange(2), self.random.choice((15, 40, 90, 700))
        self.told.pressed(self.now_us(), ms)
        bounce_us = sorted(self.random.uniform(50, 8000) for _ in range(2 * self.random.randrange(4)))
        self.chip.press(self.unit.pedals[number], bounce_us)
        self.chip.at(ms, lambda: self.chip.release(self.unit.pedals[number], bounce_us))
        self.pass_ms(self.random.choice((1, 5, 20, 60)))

    def wait(self) -> None:
        self.pass_ms(self.random.choice((80, 150)))

    def stop(self) -> None:
        self.client.do("stop")
        self.told.stopped(self.now_us())

    def clear(self) -> None:
        self.told.may_go_on(self.now_us())
        self.client.do("clear")

    def strike(self) -> None:
        try:
            self.client.do("strike", encode("Tab times 3"))
        except Refused:  # stopped
            self.log.append("refused")

    def deaf(self) -> None:
        """The PC asks for no reports for a while, as one does that is busy."""
        self.was_deaf = True
        self.told.computer(self.now_us(), "deaf")
        self.chip.host.stop_key_polls()
        self.pass_ms(self.random.choice((30, 200)))
        self.told.computer(self.now_us(), "ready")
        self.chip.host.start_key_polls()

    def suspend(self) -> None:
        self.told.computer(self.now_us(), "asleep")
        self.chip.host.suspend()
        self.pass_ms(SLEEP_MS)
        self.press()
        self.pass_ms(self.random.choice((10, 100)))
        self.told.computer(self.now_us(), "ready")
        self.chip.host.resume()
        self.pass_ms(RESUME_US / 1000)

    def cable(self) -> None:
        """The cable is pulled, with the unit on its own supply, and put back."""
        self.told.computer(self.now_us(), "absent")
        self.chip.host.unplug()
        self.pass_ms(SLEEP_MS)
        self.press()
        self.pass_ms(self.random.choice((10, 100)))
        self.told.computer(self.now_us(), "ready", CONNECTED_US)
        self.chip.host.plug()
        self._connect()

    def power(self) -> None:
        self.told.computer(self.now_us(), "absent")
        self.told.may_go_on(self.now_us())
        self.chip.cut_power()
        self.pass_ms(20)
        self.told.computer(self.now_us(), "ready", CONNECTED_US)
        self.chip.power_up()
        self._connect()

    def _connect(self) -> None:
        assert self.chip.run(CONNECTED_US / 1000, lambda: self.chip.host.configured), self.log
        self.client.close()
        self.client = Client.open(url_of(self.chip))

    def quiet(self) -> None:
        """Feet off, and nothing happens for a while: the last that the PC heard is that no key is down."""
        for pin in self.unit.pedals:
            self.chip.release(pin)
        self.pass_ms(DEAF_QUIET_MS if self.was_deaf else QUIET_MS)
        self.was_deaf = False
        assert self.chip.reports and self.chip.reports[-1].data == NOTHING, self.log


@pytest.fixture(scope="module")
def image(stock_uf2: Path):
    with closing(Image(stock_uf2)) as made:
        yield made


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_key_stays_down_and_none_comes_late(image: Image, seed: int) -> None:
    story = ChipStory(image, seed)
    story.run()
    print("\n".join(story.log), *(f"{us} {report.hex()}" for us, report in story.reports()), sep="\n")
    assert sum(any(report) for _, report in story.reports()) > 5, "keys were pressed at all"
    story.told.judge(story.reports())
