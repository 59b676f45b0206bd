"""A plan as JSON, CSV and a page to print."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Sequence
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from airquill.planning.board import Site
from airquill.planning.drawing import step_svg
from airquill.planning.kit import Line
from airquill.planning.plan import Plan, Step
from airquill.report import palette

_pages = Environment(
    loader=ChoiceLoader(
        [PackageLoader("airquill.planning", "templates"), PackageLoader("airquill.report", "templates")]
    ),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_pages.globals["palette"] = palette

PART_TITLES = (
    "reference",
    "value",
    "package",
    "footprint",
    "side",
    "x_mm",
    "y_mm",
    "step",
    "tool",
    "needles",
    "preset",
    "needed_kpa",
    "held_kpa",
    "margin",
    "polarised",
    "holder",
    "state",
)
KIT_TITLES = ("holder", "value", "package", "footprint", "pieces", "spare", "strip_mm", "stock", "short")


def unknown_footprints(plan: Plan) -> list[tuple[str, int, str]]:
    """Footprints that no package is known for: name, how many, what the board draws of them."""
    count = Counter(site.footprint for site in plan.unknown)
    drawn = {site.footprint: site.body_mm for site in plan.unknown}
    return [
        (name, pieces, f"{body[0]:g} x {body[1]:g} mm" if (body := drawn[name]) else "")
        for name, pieces in count.most_common()
    ]


def step_facts(step: Step) -> dict[str, Any]:
    """What a plan says of a step, for JSON."""
    package = step.package
    return {
        "step": step.number,
        "side": step.side,
        "tool": step.tool,
        "needles": list(step.takes),
        "preset": step.preset.number if step.preset else None,
        "value": step.value,
        "package": package.name,
        "size_mm": [package.length_mm, package.width_mm, package.height_mm],
        "mass_mg": package.mass_mg,
        "flags": package.flags,
        "polarised": package.polarised,
        "needed_kpa": _rounded(step.needed_kpa),
        "held_kpa": _rounded(step.held_kpa),
        "margin": _rounded(step.margin),
        "holder": step.place,
        "sites": [site_facts(site) for site in step.sites],
    }


def site_facts(site: Site) -> dict[str, Any]:
    """Where a part goes, for JSON."""
    return {
        "reference": site.reference,
        "value": site.value,
        "footprint": site.footprint,
        "side": site.side,
        "x_mm": site.x_mm,
        "y_mm": site.y_mm,
        "turn_deg": site.turn_deg,
    }


def line_facts(line: Line) -> dict[str, Any]:
    """A line of the kit, for JSON and CSV."""
    return {
        "holder": line.place,
        "value": line.value,
        "package": line.package.name,
        "footprint": line.footprint,
        "pieces": line.pieces,
        "spare": line.spare,
        "strip_mm": line.strip_mm,
        "stock": line.stock,
        "short": line.short,
    }


def _rounded(number: float | None) -> float | None:
    return None if number is None else round(number, 2)


def as_json(plan: Plan) -> dict[str, Any]:
    """The whole plan."""
    bench = plan.bench
    return {
        "board": plan.board.name,
        "boards": plan.boards,
        "complete": plan.complete,
        "load": bench.load,
        "altitude_m": bench.altitude_m,
        "changes": plan.changes,
        "presets": [
            {
                "preset": preset.number,
                "gauge": preset.gauge,
                "strength_pct": round(100 * preset.duty),
                "needed_kpa": _rounded(preset.needed_kpa),
                "packages": list(preset.packages),
            }
            for preset in plan.presets
        ],
        "steps": [step_facts(step) for step in plan.steps],
        "kit": [line_facts(line) for line in plan.kit],
        "unknown": [site_facts(site) for site in plan.unknown],
        "not_to_be_placed": [site_facts(site) for site in plan.left_out],
        "through_hole": [site_facts(site) for site in plan.through],
        "no_part": [site_facts(site) for site in plan.no_part],
        "notes": list(plan.notes),
    }


def parts_csv(plan: Plan) -> str:
    """A line for each surface-mounted part, in the order of work; then those that are not placed, with the reason."""
    rows: list[dict[str, Any]] = []
    for step in plan.steps:
        for site in step.sites:
            rows.append(
                {
                    **site_facts(site),
                    "package": step.package.name,
                    "step": step.number,
                    "tool": step.tool,
                    "needles": step.needle_range,
                    "preset": step.preset.number if step.preset else "",
                    "needed_kpa": _rounded(step.needed_kpa),
                    "held_kpa": _rounded(step.held_kpa),
                    "margin": _rounded(step.margin),
                    "polarised": "yes" if step.package.polarised else "",
                    "holder": step.place,
                    "state": "placed",
                }
            )
    rows += [{**site_facts(site), "state": "unknown package"} for site in plan.unknown]
    rows += [{**site_facts(site), "state": "not to be placed"} for site in plan.left_out]
    return _csv(PART_TITLES, rows)


def kit_csv(plan: Plan) -> str:
    """A line for each value of each package."""
    return _csv(KIT_TITLES, [line_facts(line) for line in plan.kit])


def _csv(titles: Sequence[str], rows: Sequence[dict[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, titles, restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def page(plan: Plan, job: str) -> str:
    """A self-contained page that prints: summary and kit, labels for the holder, one sheet a step."""
    return _pages.get_template("plan.html.j2").render(
        plan=plan,
        job=job,
        drawings=[step_svg(plan.board, step) for step in plan.steps],
        unknown=unknown_footprints(plan),
        left_out=", ".join(site.reference for site in plan.left_out),
    )
