"""The checks as tests: `pytest --pyargs airquill_hil --unit URL --serial S`.

Several units, each with its own --unit and --serial: one after another, or side by side by pytest-xdist's
`-n N --dist loadgroup`, which keeps all of a unit's checks in one process.

The same checks, limits and verdicts as `airquill accept`, for those who want pytest's reports. Skipped checks say why.
Nothing of the bench is imported before a unit is asked for, since pytest loads this for every run.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from airquill.link.client import Client
    from airquill_hil.bench import Bench


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("airquill", "acceptance of a unit")
    group.addoption("--unit", metavar="URL", action="append", default=[], help="port of the unit to check; repeatable")
    group.addoption("--rig", metavar="URL", default=None, help="port of the rig; a virtual unit brings one of its own")
    group.addoption(
        "--serial", metavar="S", action="append", default=[], help="serial on its label; one for each --unit"
    )
    group.addoption("--altitude", metavar="M", type=float, default=0.0, help="altitude of the bench in m")
    group.addoption("--limits", metavar="FILE", default=None, help="limits file; without it, the bench's own")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Where there are several units, each check is run on each. A lone unit's tests are named by the check alone."""
    units: list[str] = metafunc.config.getoption("--unit")
    if "bench" not in metafunc.fixturenames or len(units) < 2:
        return
    serials: list[str] = metafunc.config.getoption("--serial")
    if len(serials) not in (0, len(units)):
        raise pytest.UsageError(f"{len(units)} units and {len(serials)} serials: give each --unit its --serial.")
    side_by_side = metafunc.config.pluginmanager.hasplugin("xdist")
    chosen = [
        pytest.param(n, id=serials[n] if serials else unit, marks=[pytest.mark.xdist_group(unit)] * side_by_side)
        for n, unit in enumerate(units)
    ]
    metafunc.parametrize("bench", chosen, indirect=True, scope="session")


@pytest.fixture(scope="session")
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The unit on the bench; its outputs are safe afterwards, however the run ended."""
    from pathlib import Path

    from airquill.errors import AirquillError
    from airquill.link.client import Client
    from airquill.tuning.hands import ControlHands, Hands, PersonHands, control_of
    from airquill_hil.bench import Bench
    from airquill_hil.limits import load_limits
    from airquill_hil.rig import Rig, SerialRig, VirtualRig

    option = request.config.getoption
    if not option("--unit"):
        pytest.skip("needs a unit: --unit URL")
    number: int = getattr(request, "param", 0)
    serial = option("--serial")[number] if option("--serial") else ""
    with ExitStack() as stack:
        try:
            limits = load_limits(Path(option("--limits")) if option("--limits") else None)
            unit = stack.enter_context(Client.open(option("--unit")[number]))
            control = control_of(unit)
            hands: Hands | None = None
            rig: Rig | None = None
            if control is not None:
                stack.callback(control.close)
                hands = ControlHands(control)
                rig = VirtualRig(control)
            elif sys.stdin.isatty():
                hands = PersonHands(_asker(request.config, unit), _teller(request.config))
            if option("--rig"):
                measures = SerialRig.open(option("--rig"))
                stack.callback(measures.close)
                rig = measures
            made = Bench(unit, limits, hands, serial, option("--altitude"), rig)
        except AirquillError as error:
            pytest.exit(error.sentence, returncode=error.exit_code)
        stack.callback(made.safe)
        yield made


def _asker(config: pytest.Config, unit: Client) -> Callable[[str], None]:
    """Shows a sentence past pytest's capture and waits for Enter or a pedal."""
    from airquill.link.ready import ask_ready

    capture = config.pluginmanager.getplugin("capturemanager")

    def ask(sentence: str) -> None:
        with capture.global_and_fixture_disabled():
            ask_ready(unit, sentence, lambda words: print(words, flush=True))

    return ask


def _teller(config: pytest.Config) -> Callable[[str], None]:
    capture = config.pluginmanager.getplugin("capturemanager")

    def tell(sentence: str) -> None:
        with capture.global_and_fixture_disabled():
            print(sentence, flush=True)

    return tell
