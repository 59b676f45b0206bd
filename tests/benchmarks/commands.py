"""What commands cost that a person waits for: processor time, the interpreter's start included.

    python tests/benchmarks/commands.py

The help page, the plan of ten thousand parts, the plan of each of Debian's KiCad demo boards with surface-mounted parts
(`apt-get install --no-install-recommends kicad-demos`), and `airquill demo`, which mostly waits for real time to pass.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in ("host", "protocol", "device", "hil", "tests"):
    sys.path.insert(0, str(ROOT / folder))

from benchmarks.heading import heading  # noqa: E402
from command_line import AIRQUILL, ENVIRONMENT  # noqa: E402

PARTS = 10000
FOOTPRINTS = ("R_0603_1608Metric", "C_0402_1005Metric", "SOIC-8_3.9x4.9mm_P1.27mm", "TQFP-100_14x14mm_P0.5mm")
DEMOS = Path("/usr/share/kicad/demos")
BOARDS = (
    "stickhub/StickHub",
    "video/video",
    "kit-dev-coldfire-xilinx_5213/kit-dev-coldfire-xilinx_5213",
    "test_xil_95108/carte_test",
    "custom_pads_test/custom_pads_test",
)


def processor_s(*arguments: str | Path) -> float:
    """Processor time of a command and of what it starts. Exit code 1, the answer no, is an answer too."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [*AIRQUILL, *map(str, arguments)], env=ENVIRONMENT, capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1):
        raise SystemExit(f"airquill {arguments[0]} failed: {done.stderr}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def positions(count: int) -> str:
    """A position list of that many parts, four packages on both sides."""
    lines = ["Ref,Val,Package,PosX,PosY,Rot,Side"]
    for n in range(count):
        side = "bottom" if n % 3 else "top"
        lines.append(f"X{n},{n % 97}k,{FOOTPRINTS[n % 4]},{n % 100},{n // 100},0,{side}")
    return "\n".join(lines) + "\n"


def report(name: str, seconds: float) -> None:
    print(f"{name:<44} {seconds:6.2f} s")


def main() -> None:
    heading()
    report("airquill --help", min(processor_s("--help") for _ in range(3)))
    with tempfile.TemporaryDirectory() as folder:
        many = Path(folder) / "many.csv"
        many.write_text(positions(PARTS))
        report(f"airquill parts, a list of {PARTS:,}", processor_s("parts", many, "--json"))
        for name in BOARDS:
            board = DEMOS / f"{name}.kicad_pcb"
            if board.is_file():
                report(f"airquill parts, {board.name}", processor_s("parts", board, "--boards", "20", "--json"))
            else:
                print(f"airquill parts, {board.name}: not here; apt-get install --no-install-recommends kicad-demos")
        report("airquill demo", processor_s("demo", "--dir", Path(folder) / "demo"))


if __name__ == "__main__":
    main()
