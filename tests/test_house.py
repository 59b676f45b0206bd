"""The house itself: what the wheel carries, what the import rules catch, what happens when a test runs out of time."""

import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("host/airquill", "protocol/airquill_protocol", "device/airquill_device", "hil/airquill_hil")
FOLDERS = tuple(package.split("/")[0] for package in PACKAGES)
BUILD_PARTS = ("pyproject.toml", "README.md", "LICENSE", ".ci", *FOLDERS)


def run(*command: str | Path, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run to the end; standard output and error as one text."""
    return subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env={**os.environ, **environment},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )


def copy_of_the_tree(target: Path, *names: str) -> Path:
    """The named top-level parts of the tree, without what tools left in them."""
    target.mkdir(exist_ok=True)
    for name in names:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, target / name, ignore=shutil.ignore_patterns("__pycache__", ".*_cache"))
        else:
            shutil.copy(source, target / name)
    return target


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel built the way `pip install .` does, from a copy of the tree."""
    folder = tmp_path_factory.mktemp("wheel")
    tree = copy_of_the_tree(folder / "tree", *BUILD_PARTS)
    built = run(sys.executable, "-m", "pip", "wheel", "--no-deps", "--wheel-dir", folder, ".", cwd=tree)
    assert built.returncode == 0, built.stdout
    (path,) = folder.glob("airquill-*.whl")
    return path


def test_the_wheel_carries_every_file_of_the_packages(wheel: Path) -> None:
    expected = {
        f"{Path(package).name}/{path.relative_to(ROOT / package).as_posix()}"
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".mpy"
    }
    assert len(expected) > len(PACKAGES)
    carried = set(zipfile.ZipFile(wheel).namelist())
    assert sorted(expected - carried) == []


def test_the_wheel_carries_what_stands_beside_the_packages(wheel: Path) -> None:
    beside = {"protocol/registry.toml": "airquill_protocol/registry.toml"}
    for package in ("device/airquill_device", "hil/airquill_hil"):
        folder = (ROOT / package).parent
        for path in folder.rglob("*"):
            if path.is_file() and not path.is_relative_to(ROOT / package) and "__pycache__" not in path.parts:
                place = path.relative_to(folder).as_posix()
                beside[f"{folder.name}/{place}"] = f"{Path(package).name}/_root/{place}"
    assert {"device/boot.py", "device/main.py"} <= set(beside)
    with zipfile.ZipFile(wheel) as archive:
        for source, place in beside.items():
            assert archive.read(place) == (ROOT / source).read_bytes()
        licence = next(name for name in archive.namelist() if name.endswith("/licenses/LICENSE"))
        assert archive.read(licence).startswith(b"MIT License")
        tops = {name.split("/")[0] for name in archive.namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {Path(package).name for package in PACKAGES}


def test_an_installed_wheel_gives_the_command(wheel: Path, tmp_path: Path) -> None:
    target = tmp_path / "site"
    put = run(sys.executable, "-m", "pip", "install", "--no-deps", "--target", target, wheel, cwd=tmp_path)
    assert put.returncode == 0, put.stdout
    where = run(sys.executable, "-c", "import airquill; print(airquill.__file__)", cwd=tmp_path, PYTHONPATH=str(target))
    assert where.stdout.startswith(str(target)), where.stdout
    shown = run(target / "bin" / "airquill", "--help", cwd=tmp_path, PYTHONPATH=str(target))
    assert shown.returncode == 0, shown.stdout
    assert "Usage" in shown.stdout


def test_an_editable_install_copies_nothing(tmp_path: Path) -> None:
    tree = copy_of_the_tree(tmp_path / "tree", *BUILD_PARTS)
    pip = (sys.executable, "-m", "pip", "install", "--no-deps")
    built = run(*pip, "--target", tmp_path / "site", "--editable", ".", cwd=tree)
    assert built.returncode == 0, built.stdout
    names = {path.name for path in (tmp_path / "site").iterdir() if path.suffix != ".dist-info"}
    assert names == {"_airquill.pth", "bin"}
    folders = (tmp_path / "site" / "_airquill.pth").read_text().split()
    assert folders == sorted(str(tree / folder) for folder in FOLDERS)


def test_dependencies_are_sorted() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    for names in (project["dependencies"], *project["optional-dependencies"].values()):
        assert names == sorted(names)


@pytest.mark.parametrize(
    ("module", "line", "contract"),
    [
        ("host/airquill/link/breach.py", "import airquill.cli.main", "Nothing imports the command line"),
        ("host/airquill/keys/breach.py", "import airquill_hil", "Only the command line and the demo import the bench"),
        (
            "device/airquill_device/breach.py",
            "import airquill.link",
            "Device and protocol import nothing of host or bench",
        ),
        (
            "device/airquill_device/breach.py",
            "import machine",
            "Only the device's board imports the chip's own modules",
        ),
        ("host/airquill/link/breach.py", "import airquill.profile", "Command line over rooms over link over protocol"),
        ("protocol/airquill_protocol/breach.py", "import airquill_device", "Virtual unit over device over protocol"),
    ],
)
def test_import_rules_catch_a_breach(tmp_path: Path, module: str, line: str, contract: str) -> None:
    tree = copy_of_the_tree(tmp_path / "tree", "pyproject.toml", *FOLDERS)
    (tree / module).write_text(line + "\n")
    path = os.pathsep.join(str(tree / folder) for folder in FOLDERS)
    linter = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    checked = run(sys.executable, "-c", linter, "--no-cache", cwd=tree, PYTHONPATH=path)
    assert checked.returncode == 1, checked.stdout
    broken = [text for text in checked.stdout.splitlines() if "BROKEN" in text]
    assert any(text.startswith(contract) for text in broken), checked.stdout


@pytest.mark.parametrize(("part", "code"), [("lint", 1), ("test", 1), ("neither", 0)])
def test_ci_fails_when_any_part_fails(tmp_path: Path, part: str, code: int) -> None:
    (tmp_path / "make").write_text(f'#!/bin/sh\necho "made $1, required $AIRQUILL_REQUIRE"\n[ "$1" != {part} ]\n')
    (tmp_path / "make").chmod(0o755)
    ended = run("bash", ROOT / ".ci/run", cwd=tmp_path, PATH=f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    assert ended.returncode == code
    assert "made lint, required 1" in ended.stdout
    assert "made test, required 1" in ended.stdout


def inner_tests(folder: Path, tests: str, *options: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run `tests` as a project of their own, with this project's pytest settings and conftest."""
    copy_of_the_tree(folder, "pyproject.toml")
    (folder / "tests").mkdir(exist_ok=True)
    for name in ("conftest.py", "leftovers.py"):
        shutil.copy(ROOT / "tests" / name, folder / "tests")
    (folder / "tests" / "test_inner.py").write_text(tests)
    return run(sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *options, cwd=folder, **environment)


INNER = """
import subprocess, time
import pytest

@pytest.mark.timeout(1)
def test_hangs(outputs_safe):
    outputs_safe.callback(open("first", "w").write, "pump off")
    outputs_safe.callback(open("last", "w").write, "valve vents")
    subprocess.Popen(["sh", "-c", "sleep 98765 & sleep 0.1"])
    try:
        while True:
            time.sleep(0.01)
    except Exception:
        pass  # a timeout is not to be swallowed like this

def test_goes_on():
    pass

def test_fails():
    assert False
"""


@pytest.mark.parametrize("workers", ["0", "1"])
def test_a_timeout_is_an_error_and_leaves_outputs_safe(tmp_path: Path, workers: str) -> None:
    ended = inner_tests(tmp_path, INNER, "-n", workers)
    assert ended.returncode == 1, ended.stdout
    assert "ERROR tests/test_inner.py::test_hangs - Failed: Timeout (>1.0s)" in ended.stdout
    # Two errors: the hang, and the process it left behind, which is named and ended.
    assert "1 failed, 1 passed, 2 errors" in ended.stdout
    assert "running (now ended): sleep 98765" in ended.stdout
    assert (tmp_path / "first").read_text() == "pump off"
    assert (tmp_path / "last").read_text() == "valve vents"
    assert run("pgrep", "-f", "sleep 98765", cwd=tmp_path).stdout == ""


def test_without_a_stock_uf2_chip_tests_say_why_they_skip(tmp_path: Path) -> None:
    tests = (
        "import pytest\n@pytest.mark.chip\ndef test_marked(): assert False\ndef test_fixture(stock_uf2): assert False\n"
    )
    ended = inner_tests(tmp_path, tests, AIRQUILL_STOCK_UF2="", AIRQUILL_REQUIRE="1")
    assert "2 skipped" in ended.stdout
    assert "--stock-uf2 or AIRQUILL_STOCK_UF2" in ended.stdout
    wrong = inner_tests(tmp_path, tests, "--stock-uf2", "nowhere.uf2")
    assert wrong.returncode == pytest.ExitCode.USAGE_ERROR
    assert "There is no stock UF2 at" in wrong.stdout
    assert "Traceback" not in wrong.stdout


@pytest.mark.parametrize(("required", "outcome"), [("0", "1 skipped"), ("1", "1 failed")])
def test_a_missing_tool_skips_here_and_fails_in_ci(tmp_path: Path, required: str, outcome: str) -> None:
    tests = "def test_tool(require): require(False, 'needs the tool: install it')\n"
    ended = inner_tests(tmp_path, tests, AIRQUILL_REQUIRE=required)
    assert outcome in ended.stdout
    assert "needs the tool: install it" in ended.stdout
