"""`airquill provision`: its batch file, its progress, its labels, and one unit that goes through it."""

import base64
import io
import re
from collections.abc import Callable
from pathlib import Path

import matplotlib.image
import pytest
import zxingcpp

from airquill.errors import AirquillError
from airquill.image import flash
from airquill.image.batch import Done, Progress, Row, read_batch
from airquill.image.build import build
from airquill.link import discovery
from airquill.report.labels import Label, label_sheet
from airquill.tuning.baseline import Baseline
from airquill_hil import checks
from command_line import airquill, end, start_unit


def batch(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "twenty.csv"
    path.write_text(text)
    return path


def test_rows_with_and_without_a_name(tmp_path: Path) -> None:
    assert read_batch(batch(tmp_path, "serial\nHEATHER-01\n")) == [Row("HEATHER-01", "")]
    assert read_batch(batch(tmp_path, "name,serial\nOne,HEATHER-01\n")) == [Row("HEATHER-01", "One")]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("serial\nA\nB\nA\n", "line 4: A is in line 2 already"),
        ("number\n1\n", "the first line must name"),
        ("", "the first line must name"),
        ("serial\n", "names no unit"),
        ("serial,name\n,One\n", "line 2: there is no serial"),
        ("serial\nHEATHER-0123456789\n", "longer than 16 bytes"),
    ],
)
def test_a_wrong_batch_is_refused(tmp_path: Path, text: str, word: str) -> None:
    with pytest.raises(AirquillError, match=word):
        read_batch(batch(tmp_path, text))


def test_progress_lasts_and_a_second_try_replaces_the_first(tmp_path: Path) -> None:
    rows = [Row("A", ""), Row("B", "")]
    progress = Progress(tmp_path / "done.json")
    progress.add(Done("A", "", "chip1", "0.1.0", "b", "rejected"))
    assert Progress(progress.path).left(rows) == rows
    progress.add(Done("A", "", "chip1", "0.1.0", "b", "accepted"))
    later = Progress(progress.path)
    assert later.left(rows) == [Row("B", "")]
    assert later.serial_of("chip1") == "A"
    assert len(later.done) == 1


def test_labels_are_read_back_by_another_library() -> None:
    """Oracle: zxing-cpp 3.1."""
    serials = [f"HEATHER-{number:02}" for number in range(1, 21)]
    sheet = label_sheet([Label(serial, "Heather & bench", "0.1.0", "c0ffee00") for serial in serials])
    read = []
    for picture in re.findall(r'src="data:image/png;base64,([^"]+)"', sheet):
        pixels = matplotlib.image.imread(io.BytesIO(base64.b64decode(picture)), format="png")
        grey = (pixels if pixels.ndim == 2 else pixels[..., 0]) * 255
        read += [code.text for code in zxingcpp.read_barcodes(grey.astype("uint8"))]
    assert read == serials
    assert all(f"<b>{serial}</b>" in sheet for serial in serials)
    assert "Heather &amp; bench" in sheet


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_a_unit_goes_through_and_is_not_taken_twice(
    tmp_path: Path, make_stock: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flash, "mounted_folders", list)
    monkeypatch.setattr(discovery.list_ports, "comports", list)
    # The short list: this test is about the batch, and the long one times a unit that shares its processor with others.
    monkeypatch.setattr(checks, "chosen_checks", lambda _names: checks.SHORT)
    image, out = tmp_path / "heather.uf2", tmp_path / "records"
    build(make_stock(), image)
    profile = tmp_path / "heather.toml"
    profile.write_text("[profile]\nregistry = 1\n[pump]\nidle_pct = 22\n")
    command = ("provision", "--batch", batch(tmp_path, "serial,name\nHEATHER-01,One\nHEATHER-02,\n"))
    command += ("--image", image, "--profile", profile, "--out", out, "--wait", "3")
    unit = start_unit(tmp_path / "unit")
    try:
        first = airquill(*command)
        # HEATHER-02 was not plugged in.
        assert "No new unit" in first.sentences(3)
        assert "HEATHER-01: accepted" in first.out
        assert "is HEATHER-01 already" in first.out
        settings = unit.settings()
        assert (settings["unit.serial"], settings["unit.name"], settings["pump.idle_pct"]) == ("HEATHER-01", "One", 22)
        assert Baseline.of_text(settings["unit.baseline"]) is not None
        assert "HEATHER-01" in (out / "twenty-labels.html").read_text()
        assert len(list(out.glob("HEATHER-01-*.json"))) == 1
        assert "1 of 2 units are done" in airquill(*command).out
        assert len(list(out.glob("HEATHER-01-*.json"))) == 1, "what is done stays done"
    finally:
        end(unit)
