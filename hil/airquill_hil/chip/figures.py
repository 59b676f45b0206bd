"""The figures that the firmware is held to, measured on the emulated chip, each beside its limit.

One function per group of figures, each on a chip of its own, so they run side by side in processes.
"""

import hashlib
import importlib
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from airquill.image.sources import device_files, reference_wiring

from .unit import Image

WORKERS = 2
GROUPS = (
    "figures_loop:start",
    "figures_press:presses",
    "figures_loop:steady_pass",
    "figures_loop:passes_while_asked",
    "figures_loop:passes_while_unread",
    "figures_memory:heap",
    "figures_outputs:valve",
    "figures_outputs:pwm",
    "figures_memory:size",
)


@dataclass(frozen=True)
class Figure:
    """A measured value. `limit` is the most it may be (`at_least`: the least); None where it is only reported."""

    name: str
    value: float
    unit: str
    limit: float | None = None
    at_least: bool = False
    about: str = ""

    @property
    def ok(self) -> bool:
        """Whether the value keeps its limit."""
        if self.limit is None:
            return True
        return self.value >= self.limit if self.at_least else self.value <= self.limit


def percentile(values: list[float], share: float) -> float:
    """The smallest value that at least `share` percent of all do not exceed (nearest rank, ISO 3534-1)."""
    ordered = sorted(values)
    rank = -(-len(ordered) * share // 100)
    return ordered[max(int(rank), 1) - 1]


def source_hash() -> str:
    """SHA-256 over the firmware's source files, wiring too: paths on the chip and contents, in order of the path."""
    digest = hashlib.sha256()
    for name, path in [*device_files().items(), ("/wiring.json", reference_wiring())]:
        content = path.read_bytes()
        digest.update(f"{name}\0{len(content)}\0".encode())
        digest.update(content)
    return digest.hexdigest()


def run_group(name: str, uf2: Path) -> list[Figure]:
    """Measure one group; a process of its own may call this."""
    module, _, function = name.partition(":")
    measure_group: Callable[[Image], list[Figure]] = getattr(
        importlib.import_module(f".{module}", __package__), function
    )
    image = Image(uf2)
    try:
        return measure_group(image)
    finally:
        image.close()


def measured(uf2: Path, groups: tuple[str, ...] = GROUPS) -> Iterator[tuple[str, list[Figure]]]:
    """Measure groups side by side; yields each as it is done."""
    with ProcessPoolExecutor(WORKERS) as pool:
        jobs = {pool.submit(run_group, name, uf2): name for name in groups}
        try:
            for job in as_completed(jobs):
                yield jobs[job], job.result()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def measure(stock_uf2: Path, progress: Callable[[str], None] = lambda _group: None) -> dict[str, Any]:
    """All figures for the firmware in this tree with a stock UF2, and the hash of what was measured.

    Raises:
        AirquillError: the stock UF2 cannot be used, or the unit on the chip does not answer.
    """
    image = Image(stock_uf2)
    image.close()
    found: dict[str, list[Figure]] = {}
    for group, figures in measured(stock_uf2):
        found[group] = figures
        progress(group)
    ordered = [figure for group in GROUPS for figure in found[group]]
    return {
        "source_hash": source_hash(),
        "stock_sha256": hashlib.sha256(stock_uf2.read_bytes()).hexdigest(),
        "figures": [asdict(figure) | {"ok": figure.ok} for figure in ordered],
    }
