"""What all tests share: options, the rule for skips, and the promise that no unit is left with its outputs on."""

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from leftovers import adopt_orphans, end_leftovers

NO_STOCK_UF2 = "needs a stock MicroPython UF2 for the RP2040: name it by --stock-uf2 or AIRQUILL_STOCK_UF2"

# Slow machines are no error here (each test has its own timeout), and a failure in CI must come again on the next run.
hypothesis.settings.register_profile("airquill", deadline=None, derandomize="CI" in os.environ)
hypothesis.settings.load_profile("airquill")

# A test must never reach for the unit on the developer's desk.
os.environ.pop("AIRQUILL_PORT", None)


def require(ok: object, sentence: str) -> None:
    """Skip the test (or module) with `sentence` unless `ok`; under AIRQUILL_REQUIRE=1 fail it.

    For what anybody can install. What CI cannot install, a stock UF2, skips everywhere: see `stock_uf2`.
    """
    if ok:
        return
    if os.environ.get("AIRQUILL_REQUIRE") == "1":
        pytest.fail(sentence, pytrace=False)
    pytest.skip(sentence, allow_module_level=True)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--stock-uf2",
        metavar="FILE",
        default=os.environ.get("AIRQUILL_STOCK_UF2", ""),
        help="stock MicroPython UF2 for the RP2040; tests marked chip need it (default: AIRQUILL_STOCK_UF2)",
    )


def stock_uf2_path(config: pytest.Config) -> Path | None:
    """The stock UF2 that was named, or None. Raises UsageError when the file is not there."""
    named = config.getoption("--stock-uf2")
    if not named:
        return None
    path = Path(named).expanduser().resolve()
    if not path.is_file():
        raise pytest.UsageError(f"There is no stock UF2 at {path}; correct --stock-uf2 or AIRQUILL_STOCK_UF2.")
    return path


def pytest_configure(config: pytest.Config) -> None:
    stock_uf2_path(config)


def pytest_runtest_setup(item: pytest.Item) -> None:
    if item.get_closest_marker("chip") and stock_uf2_path(item.config) is None:
        pytest.skip(NO_STOCK_UF2)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    report: Any = yield
    excinfo = call.excinfo
    # pytest-timeout fails the test by this text. Kept as an attribute, which also travels from a worker process.
    report.timed_out = (
        excinfo is not None
        and excinfo.errisinstance(pytest.fail.Exception)
        and (str(excinfo.value).startswith("Timeout (>"))
    )
    return report


def pytest_report_teststatus(report: Any) -> tuple[str, str, str] | None:
    """A test that ran out of time gave no answer: that is an error, not a failure."""
    if getattr(report, "timed_out", False):
        return "error", "E", "ERROR"
    return None


@pytest.fixture(name="require")
def require_fixture() -> Callable[[object, str], None]:
    """`require`, for tests that rather ask for a fixture."""
    return require


@pytest.fixture(scope="session")
def stock_uf2(request: pytest.FixtureRequest) -> Path:
    """A stock MicroPython UF2 for the RP2040; the test is skipped when none was named."""
    path = stock_uf2_path(request.config)
    if path is None:
        pytest.skip(NO_STOCK_UF2)
    return path


@pytest.fixture
def outputs_safe() -> Iterator[ExitStack]:
    """Where a test that switches a unit's outputs leaves what makes them safe: `outputs_safe.callback(unit.safe)`.

    The calls run last in, first out after the test, however it ended: passed, failed or out of time.
    """
    with ExitStack() as stack:
        yield stack


@pytest.fixture(scope="session", autouse=True)
def state_folder(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Virtual units that tests run are announced where nobody's `airquill find` looks, and no other worker's."""
    os.environ["AIRQUILL_STATE"] = str(tmp_path_factory.mktemp("state"))


@pytest.fixture(scope="session", autouse=True)
def no_unit_left_running() -> Iterator[None]:
    """End what the tests left running, and make an error of it. A virtual unit makes itself safe on SIGTERM."""
    adopt_orphans()
    yield
    left = end_leftovers()
    if left:
        pytest.fail("tests left these processes running (now ended): " + "; ".join(left), pytrace=False)
