"""What each cause does to a checkup's figures, learned from computed units: cases for every cause and strength.

A case is a computed unit twice: as made, without noise on a day like any other, and with a cause, noise and a day
drawn. Its effect is the difference of the two rows of features; the cases of one cause and one bin of strengths give
the mean and the spread of that effect. Nothing here is set by hand but the draws of makes.py and the counts below.

Computing takes a minute or two. The model of the usual needle comes with the program (generate_causes.py writes it);
that of another needle is computed once and kept in the user's cache. All are for sea level, as figures are.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, fields
from importlib.resources import files
from pathlib import Path

import numpy as np
import numpy.typing as npt
from platformdirs import user_cache_path

from airquill.errors import AirquillError
from airquill.pneumatics.air import Air
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.sensor import NOISE_KPA
from airquill.report.files import write_whole
from airquill.tuning import pedal_model
from airquill.tuning.causes import CAUSES, HEALTHY, PEDAL, Cause
from airquill.tuning.features import COUNT, rows_of
from airquill.tuning.fleet import Computed, checkups
from airquill.tuning.makes import Day, Make

Floats = npt.NDArray[np.float64]

SHIPPED_GAUGE = 22
MAKES = 256
BINS = 10
CASES = 32
"""Of each cause and bin."""
SEED = 20
STOPS = ("", "sensor_range", "supply_low")
AIR_CAUSES = tuple(cause for cause in CAUSES if cause.name != PEDAL)
_FEW = 4
_DIGITS = 4
# Sources that a model follows from.
_SOURCES = (
    *(f"pneumatics/{name}.py" for name in ("air", "flow", "needles", "pump", "sensor", "valve", "vector")),
    *(f"tuning/{name}.py" for name in ("crossing", "features", "fleet", "makes", "model", "sequence")),
)


@dataclass(frozen=True)
class Model:
    """Rows of features. `fleet_mean` and `fleet_spread`: good units as made. For each of AIR_CAUSES and each bin:
    `mean` and `spread` (a covariance) of the effect, and `stops`, the share of cases that each word of STOPS stopped;
    nan where all were. `share`: of all strengths, those of a bin. `repeat`: covariance of a good unit's row from one
    checkup to the next. `pedals_good`, `pedals_worn`: see pedal_model."""

    fleet_mean: Floats
    fleet_spread: Floats
    mean: Floats
    spread: Floats
    share: Floats
    stops: Floats
    repeat: Floats
    pedals_good: Floats
    pedals_worn: Floats


def edges() -> Floats:
    """Strengths at which bins begin and end: narrow where a cause begins to show. All strengths are as likely."""
    return np.asarray((np.arange(BINS + 1) / BINS) ** 2, dtype=np.float64)


def made(
    draw: np.random.Generator, make: Make, gauge: int, cause: Cause | None = None, strength: float = 0.0
) -> Computed:
    """A computed unit of that make on a day drawn, at sea level, with a cause; its sensor carries its own error."""
    unit = _as_made(make, Day.drawn(draw), gauge)
    if cause is not None and cause.spoil is not None:
        cause.spoil(unit, strength, draw)
    return unit


def _as_made(make: Make, day: Day, gauge: int) -> Computed:
    air = Air(needle=Needle(gauge))
    make.fit(air, gauge)
    day.come(air, make)
    return Computed(air, zero_kpa=make.zero_kpa, span=make.span)


def build(gauge: int, on_share: Callable[[float], None] = lambda _share: None) -> Model:
    """Compute the model anew; `on_share` is told how far it is, 0 to 1."""
    draw = np.random.default_rng(SEED)
    makes = [Make.drawn(draw) for _ in range(MAKES)]
    units = [_as_made(make, Day(), gauge) for make in makes]
    for unit in units:
        unit.noise_kpa = 0.0
    of_make = []
    for cause in AIR_CAUSES:
        for low, high in zip(edges()[:-1], edges()[1:], strict=True):
            for case in range(CASES):
                strength = float(low + (case + draw.random()) / CASES * (high - low))
                of_make.append(int(draw.integers(MAKES)))
                units.append(made(draw, makes[of_make[-1]], gauge, cause, strength))
    found = checkups(units, 1.0, SEED + 1, on_share)
    for one in found[:MAKES]:
        one.figures["noise_kpa"] = NOISE_KPA
    rows = rows_of([one.figures for one in found])
    shape = (len(AIR_CAUSES), BINS, CASES)
    effects = (rows[MAKES:] - rows[:MAKES][of_make]).reshape(*shape, COUNT)
    words = np.array([STOPS.index(one.stopped_by) for one in found[MAKES:]])
    stops = np.eye(len(STOPS))[words].reshape(*shape, len(STOPS)).mean(axis=2)
    repeat = np.cov(effects[_place(HEALTHY)].reshape(-1, COUNT), rowvar=False)
    mean, spread = _moments(effects, words.reshape(shape) > 0, repeat)
    good, worn = pedal_model.cases(SEED)
    return Model(
        fleet_mean=rows[:MAKES].mean(axis=0),
        fleet_spread=np.cov(rows[:MAKES], rowvar=False),
        mean=mean,
        spread=spread,
        share=np.diff(edges()),
        stops=stops,
        repeat=repeat,
        pedals_good=good,
        pedals_worn=worn,
    )


def _place(name: str) -> int:
    return [cause.name for cause in AIR_CAUSES].index(name)


def _moments(effects: Floats, stopped: npt.NDArray[np.bool_], repeat: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of each bin's cases. Few cases say little about a covariance of so many figures: it is drawn
    towards their variances alone and that of a repeated checkup, which no cause makes smaller."""
    causes, bins, _, count = effects.shape
    mean = np.full((causes, bins, count), np.nan)
    spread = np.full((causes, bins, count, count), np.nan)
    for place in np.ndindex(causes, bins):
        rows = effects[place][~stopped[place]]
        if len(rows) >= _FEW:
            weight = count / (count + len(rows))
            mean[place] = rows.mean(axis=0)
            spread[place] = (1 - weight) * np.cov(rows, rowvar=False) + weight * (repeat + np.diag(rows.var(axis=0)))
    return mean, spread


def model_for(gauge: int, on_share: Callable[[float], None] = lambda _share: None) -> Model:
    """The model for a needle: as shipped, from this user's cache, or computed and kept there. AirquillError for a gauge
    that is not listed."""
    if gauge == SHIPPED_GAUGE:
        return read(files("airquill.tuning").joinpath(shipped_name()).read_text())
    try:
        Needle(gauge)
    except ValueError as error:
        raise AirquillError(f"{error}.") from error
    path = user_cache_path("airquill") / f"causes_{gauge}G_{_version()}.json"
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):  # damaged: as good as none
        return read(path.read_text())
    computed = build(gauge, on_share)
    with contextlib.suppress(AirquillError):  # not kept: computed again next time
        write_whole(path, text(computed))
    return computed


def shipped_name() -> str:
    """File of the model that comes with the program."""
    return f"causes_{SHIPPED_GAUGE}G.json"


def _version() -> str:
    """Hash over the sources that a model follows from."""
    taken = hashlib.sha256()
    for name in _SOURCES:
        taken.update((Path(__file__).parent.parent / name).read_bytes())
    return taken.hexdigest()[:12]


def text(model: Model) -> str:
    """A model as JSON, to four significant digits; of each covariance the upper half."""
    upper = np.triu_indices(COUNT)
    lines = []
    for entry in fields(Model):
        table = getattr(model, entry.name)
        if entry.name in ("fleet_spread", "repeat", "spread"):
            table = table[..., upper[0], upper[1]]
        rows = table.reshape(-1, table.shape[-1])
        body = ",\n".join("  [" + ",".join(_short(value) for value in row) + "]" for row in rows)
        lines.append(f' "{entry.name}": [\n{body}\n ]')
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _short(value: float) -> str:
    return "null" if np.isnan(value) else f"{value:.{_DIGITS}g}"


def read(written: str) -> Model:
    """The model in a text. ValueError, KeyError or TypeError when it is none."""
    data = {name: np.array(rows, dtype=np.float64) for name, rows in json.loads(written).items()}
    causes = len(AIR_CAUSES)
    shapes = {
        "fleet_mean": (COUNT,),
        "mean": (causes, BINS, COUNT),
        "share": (BINS,),
        "stops": (causes, BINS, len(STOPS)),
    }
    for name, shape in shapes.items():
        data[name] = data[name].reshape(shape)
    data["fleet_spread"], data["repeat"] = _whole(data["fleet_spread"][0]), _whole(data["repeat"][0])
    data["spread"] = np.array([_whole(half) for half in data["spread"]]).reshape(causes, BINS, COUNT, COUNT)
    return Model(**{entry.name: data[entry.name] for entry in fields(Model)})


def _whole(half: Floats) -> Floats:
    """A covariance from its upper half."""
    found = np.zeros((COUNT, COUNT))
    found[np.triu_indices(COUNT)] = half
    return found + np.triu(found, 1).T
