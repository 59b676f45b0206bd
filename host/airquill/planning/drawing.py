"""The drawing of a step: the board's outline, and of the parts only those that are placed now."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from markupsafe import Markup, escape

from airquill.planning.board import Board, Point, Site
from airquill.planning.packages import Package
from airquill.planning.plan import Step
from airquill.report import palette

MARGIN = 0.04  # of the longer side
SMALLEST_MARK = 0.012  # radius of the ring around a part, of the longer side
TEXT = 0.02
LABELS_AT_MOST = 150  # more would cover each other


def body(site: Site, package: Package) -> list[Point]:
    """Corners of a part's body on the board, mm: as drawn, else around its pads' middle, in the package's size."""
    if site.outline is not None:
        left, upper, right, lower = site.outline
    else:
        box = site.pads or (0.0, 0.0, 0.0, 0.0)
        x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        long_side, short_side = package.length_mm / 2, package.width_mm / 2
        if box[3] - box[1] > box[2] - box[0]:
            long_side, short_side = short_side, long_side
        left, upper, right, lower = x - long_side, y - short_side, x + long_side, y + short_side
    return [site.place(x, y) for x, y in ((left, upper), (right, upper), (right, lower), (left, lower))]


def frame(board: Board) -> tuple[float, float, float, float]:
    """Left, upper, right and lower edge of what is drawn, mm."""
    points = [point for path in board.outline for point in path]
    points += [(site.x_mm, site.y_mm) for site in board.sites if site.x_mm is not None and site.y_mm is not None]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    return min(xs), min(ys), max(xs), max(ys)


def step_svg(board: Board, step: Step) -> Markup:
    """A step as SVG in mm; the bottom side is seen from below. Empty where the sites have no places."""
    if any(site.x_mm is None for site in step.sites):
        return Markup("")
    left, upper, right, lower = frame(board)
    longest = max(right - left, lower - upper, 1.0)
    edge = MARGIN * longest
    mirrored = step.side == "bottom"

    def spot(point: Point) -> Point:
        return (left + right - point[0] if mirrored else point[0]), point[1]

    width, height = right - left + 2 * edge, lower - upper + 2 * edge
    view = f"{left - edge:.2f} {upper - edge:.2f} {width:.2f} {height:.2f}"
    label = f"{escape(step.value)}, step {step.number}"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{view}" role="img" aria-label="{label}">',
        f'<g fill="none" stroke="{palette.FAINT}" stroke-width="{0.003 * longest:.3f}">',
    ]
    if board.outline:
        parts += [f'<polyline class="edge" points="{_points([spot(p) for p in path])}"/>' for path in board.outline]
    else:
        parts.append(
            f'<rect x="{left - edge / 2:.3f}" y="{upper - edge / 2:.3f}" width="{width - edge:.3f}" '
            f'height="{height - edge:.3f}" stroke-dasharray="{0.01 * longest:.3f}"/>'
        )
    parts.append("</g>")
    for number, site in enumerate(step.sites, 1):
        parts += _part(site, step.package, spot, number, longest, len(step.sites) <= LABELS_AT_MOST)
    parts.append("</svg>")
    return Markup("".join(parts))


def _part(
    site: Site, package: Package, spot: Callable[[Point], Point], number: int, longest: float, labelled: bool
) -> list[str]:
    corners = [spot(point) for point in body(site, package)]
    x, y = sum(c[0] for c in corners) / 4, sum(c[1] for c in corners) / 4
    reach = max(((c[0] - x) ** 2 + (c[1] - y) ** 2) ** 0.5 for c in corners)
    ring = max(1.25 * reach, SMALLEST_MARK * longest)
    drawn = [f'<polygon class="body" points="{_points(corners)}" fill="{palette.VACUUM}"/>']
    if reach < ring / 1.25:
        drawn.append(
            f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{ring:.3f}" fill="none" stroke="{palette.VACUUM}" '
            f'stroke-width="{0.002 * longest:.3f}"/>'
        )
    if package.polarised and site.pin1 is not None:
        px, py = spot(site.place(*site.pin1))
        drawn.append(
            f'<circle class="pin1" cx="{px:.3f}" cy="{py:.3f}" r="{0.006 * longest:.3f}" fill="{palette.LIMIT}"/>'
        )
    if labelled:
        drawn.append(
            f'<text x="{x + ring:.3f}" y="{y - 0.6 * ring:.3f}" font-size="{TEXT * longest:.3f}" '
            f'fill="{palette.INK}">{number}</text>'
        )
    return drawn


def _points(points: Sequence[Point]) -> str:
    return " ".join(f"{x:.3f},{y:.3f}" for x, y in points)
