"""The checks as tests: `pytest --pyargs airquill_hil --unit URL --serial S --out DIR`.

Several units, each with its own --unit and --serial: one after another, or side by side by pytest-xdist's `-n N`, with
all checks of a unit in one process.

The same run as that of `airquill accept` (run.py), with the same record, verdict and exit code, for those who want
pytest's selection and reports. Nothing of the bench is imported before a unit is asked for, since pytest loads this for
every run.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from airquill_hil.opening import Terminal
    from airquill_hil.run import Run

# Later pytest has put something else in its place.
_AT_A_TERMINAL = bool(sys.stdin) and sys.stdin.isatty()
# Of each unit that was run: what to say of it, and its exit code.
_ENDED = pytest.StashKey[list[tuple[str, int]]]()
_OUTPUT = "airquill_ended"
_TEXTS = {
    "--station": "name of the bench; without it, the computer's",
    "--operator": "who runs it; without it, the user's name",
    "--board-revision": "revision of the unit's board, for the record",
    "--pump-lot": "lot of its pump, for the record",
    "--rig-calibrated": "when the rig was last calibrated",
}


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("airquill", "acceptance of a unit")
    group.addoption("--unit", metavar="URL", action="append", default=[], help="port of the unit to check; repeatable")
    group.addoption("--rig", metavar="URL", default=None, help="port of the rig; a virtual unit brings one of its own")
    group.addoption(
        "--serial", metavar="S", action="append", default=[], help="serial on its label; one for each --unit"
    )
    group.addoption("--altitude", metavar="M", type=float, default=0.0, help="altitude of the bench in m")
    group.addoption("--limits", metavar="FILE", default=None, help="limits file; without it, the bench's own")
    group.addoption("--out", metavar="DIR", default=None, help="folder for records and pages; without it, none")
    group.addoption("--book", metavar="FILE", default=None, help="record book; without it, DIR/book.sqlite")
    for option, text in _TEXTS.items():
        group.addoption(option, metavar="TEXT", default="", help=text)


def pytest_configure(config: pytest.Config) -> None:
    config.stash[_ENDED] = []


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Where there are several units, each check is run on each. A lone unit's tests are named by the check alone."""
    units: list[str] = metafunc.config.getoption("--unit")
    if "acceptance" not in metafunc.fixturenames or len(units) < 2:
        return
    serials: list[str] = metafunc.config.getoption("--serial")
    if len(serials) not in (0, len(units)):
        raise pytest.UsageError(f"{len(units)} units and {len(serials)} serials: give each --unit its --serial.")
    if metafunc.config.getoption("--rig"):
        raise pytest.UsageError("One rig cannot hold several units: give one --unit, or no --rig.")
    chosen = [pytest.param(n, id=serials[n] if serials else unit) for n, unit in enumerate(units)]
    metafunc.parametrize("acceptance", chosen, indirect=True, scope="session")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """All checks of a unit go to one process, in their order: they are one run."""
    if not config.getoption("--unit"):
        return None
    from xdist.scheduler import LoadScopeScheduling

    class ByUnit(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            # test_unit[UNIT-check]; no check has a hyphen in its name.
            return nodeid.rpartition("-")[0]

    return ByUnit(config, log)


@pytest.fixture(scope="session")
def acceptance(request: pytest.FixtureRequest) -> Iterator[Run]:
    """The run on one unit. Afterwards its outputs are safe and its record is written, however the run ended."""
    from airquill.errors import AirquillError
    from airquill.link.client import Client
    from airquill_hil.keep import check_place
    from airquill_hil.limits import load_limits
    from airquill_hil.opening import opened_bench
    from airquill_hil.run import Made, Place, Run

    option = request.config.getoption
    if not option("--unit"):
        pytest.skip("needs a unit: --unit URL")
    number: int = getattr(request, "param", 0)
    serial = option("--serial")[number] if option("--serial") else ""
    with ExitStack() as stack:
        try:
            limits = load_limits(Path(option("--limits")) if option("--limits") else None)
            if (places := _places(request.config)) is not None:
                check_place(*places)
            unit = stack.enter_context(Client.open(option("--unit")[number]))
            bench = stack.enter_context(
                opened_bench(unit, limits, serial, option("--altitude"), option("--rig"), _terminal(request.config))
            )
            place = Place(option("--station"), option("--operator"), option("--rig-calibrated"))
            run = Run(bench, place, Made(option("--board-revision"), option("--pump-lot")))
        except AirquillError as error:
            pytest.exit(error.sentence, returncode=error.exit_code)
        try:
            yield run
        finally:
            _end(request.config, run)


def _places(config: pytest.Config) -> tuple[Path, Path] | None:
    """Where records and book go; None when nothing is to be written."""
    out, book = config.getoption("--out"), config.getoption("--book")
    if not out and not book:
        return None
    folder = Path(out or "records")
    return folder, Path(book) if book else folder / "book.sqlite"


def _end(config: pytest.Config, run: Run) -> None:
    """Come to the verdict, and write what is to be written."""
    from airquill_hil.keep import keep
    from airquill_hil.run import EXIT_CODES, NOT_KEPT

    record = run.end()
    lines = [f"{record.serial or record.unit.chip}: {record.verdict}. {record.sentence}"]
    code = EXIT_CODES[record.verdict]
    if (places := _places(config)) is not None:
        kept = keep(record, *places)
        if kept.record is None:  # no disk took it: whoever reads this output has the only copy
            lines.append(record.model_dump_json())
        else:
            lines.append(f"Record: {kept.record}.")
        lines += kept.problems
        code = NOT_KEPT if kept.problems else code
    config.stash[_ENDED].append(("\n".join(lines), code))


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """The exit code is that of the worst verdict, as `airquill accept` has it."""
    config = session.config
    ended = config.stash[_ENDED]
    output: dict[str, Any] | None = getattr(config, "workeroutput", None)
    if output is not None:
        output[_OUTPUT] = [list(one) for one in ended]
    elif ended and session.exitstatus in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        session.exitstatus = max(session.exitstatus, *(code for _, code in ended))


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """A process of pytest-xdist has ended: take over what its units came to."""
    output: dict[str, Any] = getattr(node, "workeroutput", {})
    node.config.stash[_ENDED] += [(text, code) for text, code in output.get(_OUTPUT, [])]


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """What came of each unit."""
    if config.stash[_ENDED]:
        terminalreporter.section("acceptance")
        for text, _ in config.stash[_ENDED]:
            terminalreporter.write_line(text)


def _terminal(config: pytest.Config) -> Terminal | None:
    """The person at this terminal, past pytest's capture; None where there is nobody."""
    from airquill_hil.opening import Terminal

    if not _AT_A_TERMINAL:
        return None
    capture = config.pluginmanager.getplugin("capturemanager")

    @contextmanager
    def held() -> Iterator[None]:
        capture.suspend(in_=True)
        try:
            yield
        finally:
            capture.resume()

    return Terminal(lambda sentence: print(sentence, flush=True), held)
