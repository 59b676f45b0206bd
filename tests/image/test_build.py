"""Images as a whole: built, looked into, dropped over older ones, and refused."""

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from airquill.cli.image import app
from airquill.errors import AirquillError
from airquill.image.build import build, firmware_files, image_filesystem, inspect
from airquill.image.compile import compile_source
from airquill.image.layout import STORE_BLOCKS, STORE_PATHS
from airquill.image.littlefs import read_filesystem
from airquill.image.manifest import build_hash, file_hash
from airquill.image.sources import device_files, reference_wiring
from airquill.image.stock import Stock, read_stock
from airquill_protocol import tables

from .conftest import uf2_block

ROOT = Path(__file__).parents[2]
MakeStock = Callable[..., Path]


@pytest.fixture
def addon(tmp_path: Path) -> Path:
    path = tmp_path / "lamp.py"
    path.write_text("LAMP = 7\n")
    return path


def drop(flash: bytearray, stock: Stock) -> None:
    """What the boot volume does with a file: an erase block is erased when its first page arrives."""
    erased = set()
    for address in sorted(stock.uf2.pages):
        offset = address - 0x10000000
        if offset // 4096 not in erased:
            erased.add(offset // 4096)
            flash[offset // 4096 * 4096 : (offset // 4096 + 1) * 4096] = b"\xff" * 4096
        flash[offset : offset + 256] = stock.uf2.pages[address]


def test_an_image_holds_the_firmware(make_stock: MakeStock, tmp_path: Path, addon: Path) -> None:
    out = tmp_path / "out.uf2"
    report = build(make_stock(), out, addons=[addon])
    assert report == inspect(out)
    assert (report.board, report.family, report.micropython) == ("pico", "RP2040", "v1.28.0")
    assert report.registry == tables.REGISTRY_HASH
    assert report.wiring == json.loads(reference_wiring().read_text())["board"]
    assert report.addons == ["lamp"]
    paths = [file.path for file in report.files]
    assert {"/boot.py", "/main.py", "/wiring.json", "/build.txt", "/airquill_device/app.mpy"} <= set(paths)
    assert "/airquill_protocol/tables.mpy" in paths
    assert not [path for path in paths if path in STORE_PATHS or "pycache" in path or path.endswith("registry.toml")]
    stock = read_stock(out)
    disk = image_filesystem(stock)
    assert disk
    files = read_filesystem(disk, stock.layout)
    for file in report.files:
        assert hashlib.sha256(files[file.path]).hexdigest() == file.sha256
    assert files["/build.txt"].startswith(f"{report.build}\n".encode())
    hashes = {path: file_hash(content) for path, content in files.items()}
    assert report.build == build_hash(hashes)


def test_the_same_input_gives_the_same_bytes(make_stock: MakeStock, tmp_path: Path) -> None:
    stock = make_stock()
    build(stock, tmp_path / "one.uf2")
    build(stock, tmp_path / "two.uf2")
    assert (tmp_path / "one.uf2").read_bytes() == (tmp_path / "two.uf2").read_bytes()


def test_the_build_hash_follows_every_file() -> None:
    files = {path: file_hash(content) for path, content in firmware_files().items()}
    known = build_hash(files)
    for path in files:
        changed = dict(files) | {path: file_hash(b"another")}
        assert (build_hash(changed) != known) == (path != "/build.txt")


def test_the_records_place_is_left_out(make_stock: MakeStock, tmp_path: Path) -> None:
    out = tmp_path / "out.uf2"
    report = build(make_stock(), out)
    stock = read_stock(out)
    for block in STORE_BLOCKS:
        start = stock.layout.address + block * 4096
        assert not [address for address in stock.uf2.pages if start <= address < start + 4096]
    (region,) = [region for region in report.map if "records" in region.what]
    assert (region.start, region.end, region.carried_bytes) == (0x100A2000, 0x100A8000, 0)
    assert report.map[0].start == 0x10000000 and report.map[-1].end == 0x10200000
    assert all(one.end == two.start for one, two in zip(report.map, report.map[1:], strict=False))


def test_a_newer_image_keeps_the_records_and_nothing_else(make_stock: MakeStock, tmp_path: Path, addon: Path) -> None:
    stock_path = make_stock()
    flash = bytearray(b"\xa5" * 0x200000)
    build(stock_path, tmp_path / "old.uf2", addons=[addon])
    drop(flash, read_stock(tmp_path / "old.uf2"))
    records = {path: bytes([65 + role]) * 4096 for role, path in enumerate(STORE_PATHS)}
    for block, record in zip(STORE_BLOCKS, records.values(), strict=True):
        flash[0xA0000 + block * 4096 : 0xA0000 + (block + 1) * 4096] = record
    report = build(stock_path, tmp_path / "new.uf2", wiring=ROOT / "device/wiring/bare_pico.json")
    new = read_stock(tmp_path / "new.uf2")
    drop(flash, new)
    files = read_filesystem(bytes(flash[0xA0000:]), new.layout)
    assert {path: files.pop(path) for path in STORE_PATHS} == records
    assert {path: hashlib.sha256(content).hexdigest() for path, content in files.items()} == {
        file.path: file.sha256 for file in report.files
    }


def test_the_place_comes_from_the_firmware(make_stock: MakeStock, tmp_path: Path) -> None:
    stock = make_stock(family=0xE48BFF59, board="pico2", disk=(0x10100000, 0x300000))
    report = build(stock, tmp_path / "out.uf2")
    assert (report.family, report.board) == ("RP2350 (Arm, secure)", "pico2")
    assert report.map[-1].end == 0x10400000
    (warning,) = report.warnings
    assert "Nobody has run" in warning


def test_an_image_on_the_newer_chips_own_stock_firmware(stock_uf2_rp2350: Path, tmp_path: Path) -> None:
    """Built and read back, not booted: there is no emulator for that chip."""
    before, report = read_stock(stock_uf2_rp2350), build(stock_uf2_rp2350, tmp_path / "out.uf2")
    after = read_stock(tmp_path / "out.uf2")
    assert report.family.startswith("RP2350")
    assert before.uf2.preface == after.uf2.preface != ()
    assert {address: after.uf2.pages[address] for address in before.uf2.pages} == before.uf2.pages
    disk = image_filesystem(after)
    assert disk is not None
    files = read_filesystem(disk, after.layout)
    assert {name: content for name, content in files.items() if name not in STORE_PATHS} == firmware_files()


@pytest.mark.parametrize("about", [{"info": False}, {"disk": None}])
def test_a_known_board_without_the_place_is_warned_about(
    make_stock: MakeStock, tmp_path: Path, about: dict[str, object]
) -> None:
    report = build(make_stock(**about), tmp_path / "out.uf2")
    assert report.map[-1].end == 0x10200000
    assert "does not say where its disk is; taken from the table for Raspberry Pi Pico" in report.warnings[0]


REFUSED_STOCK = {
    "no disk, unknown board": ({"disk": None, "prompt": "Some Board with RP2040"}, "Some Board is not a board that"),
    "no disk, unnamed board": ({"info": False, "prompt": "hello"}, "an unnamed board is not a board that"),
    "another program": ({"name": "blinker", "version": "1.0"}, "is not MicroPython but blinker"),
    "too old": ({"version": "v1.22.2"}, "is MicroPython v1.22.2, which cannot be a keyboard"),
    "too new": ({"version": "v2.0.0"}, "builds bytecode for version 1 only"),
    "no version": ({"version": "vNext"}, "has no version that can be read"),
    "no USB devices": ({"usb": False}, "without machine.USBDevice"),
    "impossible disk": ({"disk": (0x100A0100, 0x160000)}, "which cannot be"),
    "disk too small": ({"disk": (0x10100000, 0x10000)}, "keeps a disk of 65536 bytes"),
    "disk over the program": ({"disk": (0x10001000, 0x100000)}, "itself writes to 0x10001000"),
}


@pytest.mark.parametrize("case", REFUSED_STOCK)
def test_a_stock_firmware_that_does_not_fit_is_refused(case: str, make_stock: MakeStock, tmp_path: Path) -> None:
    about, reason = REFUSED_STOCK[case]
    out = tmp_path / "out.uf2"
    out.write_text("as it was")
    with pytest.raises(AirquillError, match=reason):
        build(make_stock(**about), out)
    assert out.read_text() == "as it was"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.uf2", "stock.uf2"]


def test_a_program_elsewhere_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "stock.uf2"
    path.write_bytes(uf2_block(0x10010000, b"x", 0, 1))
    with pytest.raises(AirquillError, match="no program at the start of flash"):
        inspect(path)


def test_bad_files_beside_the_stock_are_refused(make_stock: MakeStock, tmp_path: Path, addon: Path) -> None:
    stock, out = make_stock(), tmp_path / "out.uf2"
    cases: list[tuple[dict[str, object], str]] = []

    def case(reason: str, wiring: Path | None = None, addons: tuple[Path, ...] = ()) -> None:
        cases.append(({"wiring": wiring, "addons": addons}, reason))

    def file(name: str, content: bytes) -> Path:
        path = tmp_path / name
        path.write_bytes(content)
        return path

    case("gone.json cannot be read: No such file", wiring=tmp_path / "gone.json")
    case("half.json: The wiring file is not JSON", wiring=file("half.json", b'{"board": '))
    case("bin.json is not a text file", wiring=file("bin.json", b"\xff\xfe\x80"))
    case("two.json: ", wiring=file("two.json", b'{"board": "x", "pump": 8, "valve": 8, "pedals": [14]}'))
    case("my-lamp.py is no add-on", addons=(file("my-lamp.py", b""),))
    case("lamp.txt is no add-on", addons=(file("lamp.txt", b""),))
    case("gone.py cannot be read", addons=(tmp_path / "gone.py",))
    case("There are two add-ons named lamp", addons=(addon, addon))
    case("broken.py, line 2, does not compile: SyntaxError", addons=(file("broken.py", b"a = 1\nif a = 2:\n"),))
    for arguments, reason in cases:
        with pytest.raises(AirquillError, match=reason):
            build(stock, out, **arguments)  # type: ignore[arg-type]
        assert not out.exists()


def test_the_stock_firmware_is_never_overwritten(make_stock: MakeStock, tmp_path: Path) -> None:
    stock = make_stock()
    before = stock.read_bytes()
    with pytest.raises(AirquillError, match="is the stock firmware itself"):
        build(stock, stock)
    with pytest.raises(AirquillError, match="cannot be written: No such file"):
        build(stock, tmp_path / "no" / "where.uf2")
    assert stock.read_bytes() == before


def test_bytecode_is_what_the_chip_takes() -> None:
    # Source: MicroPython v1.28.0, docs/reference/mpyfiles.rst: magic, version, flags (0: no native code), int bits.
    source = device_files()["/airquill_device/app.py"]
    assert compile_source(source, "/airquill_device/app.py")[:4] == b"M\x06\x00\x1f"


def test_an_installed_package_carries_the_same_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As in a wheel: no source tree, the starters and wirings in the device package's `_root`."""
    for name, source in (("airquill_device", "device"), ("airquill_protocol", "protocol")):
        shutil.copytree(ROOT / source / name, tmp_path / name)
    for name in ("boot.py", "main.py", "wiring/reference.json"):
        target = tmp_path / "airquill_device/_root" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / "device" / name, target)
    tree = {path: source.read_bytes() for path, source in device_files().items()}
    monkeypatch.setattr("airquill.image.sources._package", lambda name: tmp_path / name)
    installed = {path: source.read_bytes() for path, source in device_files().items()}
    assert installed == tree
    assert reference_wiring().is_relative_to(tmp_path)
    (tmp_path / "airquill_device/_root/boot.py").unlink()
    with pytest.raises(AirquillError, match=r"boot.py of the firmware is missing"):
        device_files()


def test_the_commands(make_stock: MakeStock, tmp_path: Path) -> None:
    runner, out = CliRunner(), tmp_path / "heather-bench.uf2"
    built = runner.invoke(app, ["build", "--stock", str(make_stock(info=False)), "--out", str(out), "--json"])
    assert built.exit_code == 0
    assert json.loads(built.stdout) == json.loads(inspect(out).model_dump_json())
    assert "taken from the table" in built.stderr
    shown = runner.invoke(app, ["inspect", str(out)])
    assert shown.exit_code == 0
    for text in ("0x100A0000 |", "the unit's own records, 0 of 24576", "/airquill_device/app.mpy", "RP2040"):
        assert text in shown.stdout
    for command in ("build", "inspect"):
        assert "Example: airquill image" in runner.invoke(app, [command, "--help"]).stdout


def test_a_stock_firmware_can_be_looked_into(make_stock: MakeStock) -> None:
    shown = CliRunner().invoke(app, ["inspect", str(make_stock())])
    assert "none of Airquill" in shown.stdout
    assert inspect(make_stock()).files == []
