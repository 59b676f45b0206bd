"""Boot a Linux kernel in QEMU that can be both sides of a USB cable, and run test_keys_linux.py in it.

    apt-get install qemu-system-x86 busybox-static cpio
    apt-get download linux-image-6.1.0-56-amd64
    dpkg -x linux-image-6.1.0-56-amd64_*.deb kernel
    python tests/oracles/linux_guest.py kernel

Any Debian kernel package does. Emulated, without KVM: about a minute. The guest sees this machine's files and can
change none of them. Leaves with 0 when the tests passed.
"""

from __future__ import annotations

import gzip
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
MODULES = "virtio_pci 9pnet_virtio 9p configfs dummy_hcd usb_f_hid usbhid hid-generic evdev"
FOLDERS = (
    "drivers/virtio", "net/9p", "fs/9p", "fs/configfs", "fs/netfs", "fs/fscache", "drivers/usb/gadget",
    "drivers/usb/common", "drivers/usb/core", "drivers/hid/usbhid",
)  # fmt: skip
FILES = ("drivers/hid/hid.ko", "drivers/hid/hid-generic.ko", "drivers/input/evdev.ko")
PASSED = "ALL-PASSED"
LONGEST_S = 900

INIT = f"""#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev
depmod
for module in {MODULES}; do modprobe $module; done
mount -t 9p -o trans=virtio,version=9p2000.L,ro,msize=262144,cache=loose host /host
mount -t proc proc /host/proc; mount -t sysfs sys /host/sys; mount -t devtmpfs dev /host/dev
mount -t configfs config /host/sys/kernel/config; mount -t tmpfs run /host/run
mkdir -p /host/dev/pts /host/dev/shm; mount -t devpts pts /host/dev/pts; mount -t tmpfs shm /host/dev/shm
ip link set lo up
chroot /host /bin/sh -c "cd '{ROOT}' && HOME=/run TMPDIR=/run PYTHONDONTWRITEBYTECODE=1 '{sys.executable}' \
    -m pytest -p no:cacheprovider --basetemp=/run/pytest --timeout 600 -vs tests/oracles/test_keys_linux.py" \
    && echo {PASSED}
poweroff -f
"""


def first_files(modules: Path, folder: Path) -> bytes:
    """The guest's initial file system: busybox, the modules it needs, and what it does."""
    for name in ("bin", "proc", "sys", "dev", "host"):
        (folder / name).mkdir()
    shutil.copy("/bin/busybox", folder / "bin/busybox")
    inside = folder / "lib/modules" / modules.name
    inside.mkdir(parents=True)
    for path in modules.glob("modules.*"):
        shutil.copy(path, inside)
    for name in FOLDERS:
        if (modules / "kernel" / name).is_dir():  # elsewhere built in
            shutil.copytree(modules / "kernel" / name, inside / "kernel" / name)
    for name in FILES:
        (inside / "kernel" / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(modules / "kernel" / name, inside / "kernel" / name)
    (folder / "init").write_text(INIT)
    (folder / "init").chmod(0o755)
    names = "\n".join(str(path.relative_to(folder)) for path in sorted(folder.rglob("*")))
    packed = subprocess.run(["cpio", "-o", "-H", "newc", "--quiet"], input=names.encode(), cwd=folder,
                            capture_output=True, check=True)  # fmt: skip
    return gzip.compress(packed.stdout, 1)


def main() -> int:
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    kernel = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "root").mkdir()
        initrd = folder / "initrd"
        initrd.write_bytes(first_files(next(kernel.glob("lib/modules/*")), folder / "root"))
        done = subprocess.run(
            [
                "qemu-system-x86_64", "-m", "2048", "-accel", "tcg", "-cpu", "max", "-nographic", "-no-reboot",
                "-kernel", str(next(kernel.glob("boot/vmlinuz-*"))), "-initrd", str(initrd),
                "-append", "console=ttyS0 quiet panic=-1",
                "-virtfs", "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap",
            ],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True, errors="replace", timeout=LONGEST_S,
            check=False,
        )  # fmt: skip
    print(done.stdout)
    return 0 if PASSED in done.stdout.replace(f"echo {PASSED}", "") else 1


if __name__ == "__main__":
    sys.exit(main())
