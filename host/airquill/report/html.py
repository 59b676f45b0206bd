"""Self-contained pages: styles and plots inside, no link to anywhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from airquill.report import palette
from airquill.report.plots import vacuum_svg
from airquill.report.trace import Trace

_pages = Environment(
    loader=PackageLoader("airquill.report", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_pages.globals["palette"] = palette


def page(template: str, **values: Any) -> str:
    """A page of this folder's templates; texts are escaped, `Markup` is not."""
    return _pages.get_template(template).render(**values)


def acceptance_page(record: Mapping[str, Any]) -> str:
    """The page of one acceptance record (its JSON form, see docs/acceptance.md)."""
    plots = {
        name: Markup(vacuum_svg(Trace.of_json(trace), title=f"{check['title']}: {name}"))
        for check in record["checks"]
        for name, trace in check["traces"].items()
    }
    return page("acceptance.html.j2", record=record, plots=plots, limit_text=limit_text)


def story_page(title: str, steps: Sequence[Mapping[str, Any]], record: Mapping[str, Any], trace: Trace) -> str:
    """The page of a demonstration: its steps, the pick as a plot, the acceptance record's figures."""
    plot = Markup(vacuum_svg(trace))
    return page("story.html.j2", title=title, steps=steps, record=record, plot=plot, limit_text=limit_text)


def limit_text(figure: Mapping[str, Any]) -> str:
    """Limits of a figure in words."""
    low, high, unit = figure["low"], figure["high"], figure["unit"]
    if figure["must"] is not None:
        return "yes" if figure["must"] else "no"
    if low is not None and low == high:
        return f"{low:g} {unit}".strip()
    if low is None:
        return f"at most {high:g} {unit}".strip()
    if high is None:
        return f"at least {low:g} {unit}".strip()
    return f"{low:g} to {high:g} {unit}".strip()
