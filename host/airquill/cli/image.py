"""`airquill image`: build a firmware image, look into one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from airquill.cli.common import warn
from airquill.image.build import build, inspect
from airquill.image.report import ImageReport
from airquill.link.convert import Value
from airquill.profile.document import load

app = typer.Typer(help="Build a firmware image and look into one.", no_args_is_help=True)

Json = Annotated[bool, typer.Option("--json", help="Write JSON.")]


@app.command(
    "build",
    epilog="Example: airquill image build --stock RPI_PICO-v1.28.0.uf2 --out heather-bench.uf2 --wiring mine.json",
)
def build_command(
    stock: Annotated[
        Path, typer.Option(envvar="AIRQUILL_STOCK_UF2", metavar="UF2", help="Stock MicroPython for the board.")
    ],
    out: Annotated[Path, typer.Option(metavar="FILE", help="The image to write.")],
    wiring: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Wiring file; without it, the reference design's.")
    ] = None,
    addon: Annotated[
        list[Path] | None, typer.Option(metavar="FILE", help="Add-on to put in; may be given several times.")
    ] = None,
    profile: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Profile to start with. It REPLACES the settings of a unit that has some."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Put Airquill's firmware and a stock MicroPython into one UF2.

    A unit that gets the image keeps its settings, calibration and counters; wiring and add-ons are those of the image.
    With --profile its settings are the profile's, whatever it had; serial, calibration and counters stay also then.
    """
    settings = _settings(profile)
    report = build(stock, out, wiring, addon or (), settings)
    _show(report, as_json, f"{out}: {report.image_bytes} bytes, {len(report.files)} files, build {report.build}.")


@app.command("inspect", epilog="Example: airquill image inspect heather-bench.uf2 --json")
def inspect_command(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An image, or a stock firmware.")],
    as_json: Json = False,
) -> None:
    """Show what an image holds: board, versions, address map and files."""
    report = inspect(file)
    _show(report, as_json, _text(report))


@app.command("rig", epilog="Example: airquill image rig --stock RPI_PICO-v1.28.0.uf2 --out rig.uf2")
def rig_command(
    stock: Annotated[
        Path, typer.Option(envvar="AIRQUILL_STOCK_UF2", metavar="UF2", help="Stock MicroPython for the board.")
    ],
    out: Annotated[Path, typer.Option(metavar="FILE", help="The image to write.")],
) -> None:
    """Build the image of the rig, the second board that measures units for `airquill accept --rig`.

    docs/rig.md says how it is wired. Drop the file on the board's boot volume.
    """
    from airquill_hil.rig_image import build_rig

    typer.echo(f"{out}: {build_rig(stock, out)} bytes.")


def _settings(profile: Path | None) -> dict[str, Value] | None:
    if profile is None:
        return None
    loaded = load(profile)
    for warning in loaded.warnings:
        warn(warning)
    return dict(loaded.values)


def _text(report: ImageReport) -> str:
    firmware = f"Airquill {report.airquill}, build {report.build}, registry {report.registry}"
    lines = [
        f"Board        {report.board}, {report.family} (family 0x{report.family_id:08X})",
        f"MicroPython  {report.micropython}",
        f"Firmware     {firmware if report.airquill else 'none of Airquill'}",
        f"Wiring       {report.wiring or 'none'}",
        f"Add-ons      {', '.join(report.addons) or 'none'}",
        f"Settings     {_settings_text(report)}",
        f"UF2          {report.blocks} blocks, {report.image_bytes} bytes",
        "",
        report.drawing(),
    ]
    if report.files:
        lines.append("")
        lines += [f"{file.bytes:>8}  {file.sha256[:16]}  {file.path}" for file in report.files]
    return "\n".join(lines)


def _settings_text(report: ImageReport) -> str:
    if report.settings is None:
        return "none: a unit keeps its own"
    return f"REPLACED on a unit that gets it; {len(report.settings)} differ from the factory's"


def _show(report: ImageReport, as_json: bool, text: str) -> None:
    for warning in report.warnings:
        Console(stderr=True).print(f"Warning: {warning}", markup=False, highlight=False, soft_wrap=True)
    typer.echo(report.model_dump_json(indent=2) if as_json else text)
