"""The verb `files`: another version of the firmware, written by the device's code onto a real LittleFS."""

import base64
import hashlib
import json
import os
import subprocess
from pathlib import Path

from airquill.image.layout import RPI_PICO
from airquill.image.littlefs import build_filesystem
from airquill.simulator.child import find_micropython

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
OLD = {
    "airquill_device/__init__.mpy": b"",
    "airquill_device/app.mpy": bytes(range(256)) * 20,
    "airquill_device/pump.mpy": b"pump" * 300,
    "airquill_device/extensions/lamp.mpy": b"lamp" * 40,
    "airquill_protocol/frame.mpy": b"frame" * 90,
    "build.txt": b"00000001\n",
}
NEW = OLD | {"airquill_device/app.mpy": bytes(range(255, -1, -1)) * 21, "build.txt": b"00000002\nfirmware=2\n"}


def requests() -> list[list[str]]:
    """The update from OLD to NEW, as a host asks for it."""
    out = [["files", "copy", name] for name in OLD if NEW[name] == OLD[name]]
    for name in ("airquill_device/app.mpy", "build.txt"):
        content = NEW[name]
        out.append(["files", "open", name])
        for start in range(0, len(content), 144):
            out.append(["files", "block", str(start), base64.b64encode(content[start : start + 144]).decode()])
        out.append(["files", "close", hashlib.sha256(content).hexdigest()])
    return [*out, ["files", "try", "00000002"]]


def hashes(files: dict[str, bytes]) -> dict[str, str]:
    return {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}


def test_a_power_cut_at_every_write_leaves_a_whole_version(tmp_path: Path) -> None:
    """Oracle: MicroPython's own VfsLfs2, over flash whose torn writes are half done."""
    image = build_filesystem({f"/{name}": content for name, content in OLD.items()}, RPI_PICO)
    (tmp_path / "disk").write_bytes(image)
    given = {"requests": requests(), "old": hashes(OLD), "new": hashes(NEW)}
    given["boot"] = (ROOT / "device/boot.py").read_text()
    (tmp_path / "given").write_text(json.dumps(given))
    folders = ":".join(str(ROOT / name) for name in ("host", "protocol", "device"))
    done = subprocess.run(
        [
            find_micropython(),
            "-X",
            "heapsize=16M",
            HERE / "update_cuts.py",
            folders,
            tmp_path / "disk",
            tmp_path / "given",
        ],
        capture_output=True,
        text=True,
        env={"PATH": os.environ["PATH"]},
        check=False,
    )
    words = done.stdout.strip().splitlines()[-1].split() if done.stdout.strip() else []
    assert words[:1] == ["cuts"], done.stdout[-2000:] + done.stderr[-2000:]
    print(done.stdout.splitlines()[-1])
    said = dict(zip(words[::2], words[1::2], strict=True))
    assert int(said["cuts"]) > 60
    assert int(said["kept_old"]) > 40
    assert int(said["kept_new"]) >= 1
