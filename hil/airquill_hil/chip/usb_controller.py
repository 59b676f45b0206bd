"""The emulated chip's USB controller with what rp2040py leaves out: start of frame, suspend, resume, plug.

Bits and their meaning: RP2040 data sheet, section 4.1.4, registers SIE_CTRL, SIE_STATUS, SOF_RD and INTR. Not modelled:
time on the wire (rp2040py moves each packet in 10 us), bus errors, and the suspend interrupt on *leaving* suspend.
"""

from collections.abc import Callable

from rp2040py.peripherals import usb as regs
from rp2040py.peripherals.usb import RPUSBController
from rp2040py.rp2040 import RP2040

USB_BASE_PAGE = 0x50110
FRAME_NS = 1_000_000
BUFFER_CONTROLS = range(regs.EP0_IN_BUFFER_CONTROL, regs.EP15_OUT_BUFFER_CONTROL + 1)
STALL = 1 << 11


class UsbController(RPUSBController):
    """Replaces the emulator's controller in `mcu`; the host model hangs its callbacks on it."""

    def __init__(self, mcu: RP2040) -> None:
        super().__init__(mcu, "USB")
        self.on_pull_up: Callable[[bool], None] | None = None
        self.on_remote_wakeup: Callable[[], None] | None = None
        # Asked for each IN buffer that the guest offers and each stall it sets; True keeps the buffer waiting.
        self.on_in_offered: Callable[[int, int, int], bool] | None = None
        self.on_stall: Callable[[int], None] | None = None
        self.on_usb_enabled = None
        self._frames_from_ns = 0.0
        self._frames_running = False
        self._frame_at_stop = 0
        self._frame_alarm = mcu.clock.create_alarm(self._frame_starts)
        mcu.usb_ctrl = self
        mcu.peripherals[USB_BASE_PAGE] = self

    @property
    def pulled_up(self) -> bool:
        """True while the guest asks to be seen on the bus."""
        return bool(self._sie_ctrl & regs.SIE_CTRL_PULLUP_EN)

    # ---- the bus, as the host drives it

    def start_frames(self) -> None:
        """Frames begin, 1 ms apart, on whole milliseconds of emulated time."""
        self._sie_status &= ~regs.SIE_SUSPENDED
        if not self._frames_running:
            self._frames_running = True
            self._frames_from_ns = self.rp2040.clock.nanos // FRAME_NS * FRAME_NS - self._frame_at_stop * FRAME_NS
        self._arm_frame_interrupt()

    def stop_frames(self) -> None:
        """The bus goes idle; the frame number stays as the guest last saw it."""
        self._frame_at_stop = self._frame()
        self._frames_running = False
        self._frame_alarm.cancel()

    def enter_suspend(self) -> None:
        """The bus has been idle for 3 ms: status bit, and the interrupt if the guest enabled it."""
        self._sie_status |= regs.SIE_SUSPENDED
        self._int_raw |= regs.INTR_DEV_SUSPEND
        self.check_interrupts()

    def signal_resume(self) -> None:
        """The host drives resume: the suspended level drops and the resume event is set."""
        self._sie_status &= ~regs.SIE_SUSPENDED
        self._sie_status |= regs.SIE_RESUME
        self._sie_status_updated()

    def plugged(self, present: bool) -> None:
        """Tell the guest that there is, or is no, host on the other end of the cable."""
        self._set_connected(present)

    def release_in(self, offset: int, value: int) -> None:
        """The host takes an IN buffer that was kept waiting."""
        super().dpram_updated(offset, value)

    # ---- what the guest sees

    def read_uint32(self, offset: int) -> int:
        if offset == regs.SOF_RD:
            self._int_raw &= ~regs.INTR_DEV_SOF
            self.check_interrupts()
            return self._frame() & 0x7FF
        return super().read_uint32(offset)

    def write_uint32(self, offset: int, value: int) -> None:
        if offset == regs.SIE_STATUS and self.raw_write_value & regs.SIE_SUSPENDED:
            self._int_raw &= ~regs.INTR_DEV_SUSPEND
        super().write_uint32(offset, value)
        if offset == regs.INTE:
            self._arm_frame_interrupt()

    def dpram_updated(self, offset: int, value: int) -> None:
        if offset in BUFFER_CONTROLS:
            endpoint, out = (offset - regs.EP0_IN_BUFFER_CONTROL) >> 3, bool(offset & 4)
            if value & STALL and not value & regs.USB_BUF_CTRL_AVAILABLE and self.on_stall:
                self.on_stall(endpoint)
            if not out and self.on_in_offered and self.on_in_offered(endpoint, offset, value):
                return
        super().dpram_updated(offset, value)

    def reset(self) -> None:
        super().reset()
        self._frame_alarm.cancel()
        self._frames_running = False
        self._frame_at_stop = 0

    def _handle_sie_ctrl_write(self, value: int) -> None:
        before = self.pulled_up
        wake = bool(value & regs.SIE_CTRL_RESUME)
        super()._handle_sie_ctrl_write(value & ~regs.SIE_CTRL_RESUME)  # self-clearing
        if self.pulled_up != before and self.on_pull_up:
            self.on_pull_up(self.pulled_up)
        if wake and self.on_remote_wakeup:
            self.on_remote_wakeup()

    def _sie_status_updated(self) -> None:
        # The base class derives DEV_SUSPEND from the level; on the chip it is an event that a write acknowledges.
        event = self._int_raw & regs.INTR_DEV_SUSPEND
        level, self._sie_status = self._sie_status & regs.SIE_SUSPENDED, self._sie_status & ~regs.SIE_SUSPENDED
        super()._sie_status_updated()
        self._sie_status |= level
        self._int_raw |= event
        self.check_interrupts()

    # ---- frames

    def _frame(self) -> int:
        if not self._frames_running:
            return self._frame_at_stop
        return int((self.rp2040.clock.nanos - self._frames_from_ns) // FRAME_NS)

    def _arm_frame_interrupt(self) -> None:
        if self._frames_running and self._int_enable & regs.INTR_DEV_SOF:
            self._frame_alarm.schedule(FRAME_NS - self.rp2040.clock.nanos % FRAME_NS)

    def _frame_starts(self) -> None:
        self._int_raw |= regs.INTR_DEV_SOF
        self.check_interrupts()
        self._arm_frame_interrupt()
