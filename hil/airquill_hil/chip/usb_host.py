"""A USB host for the emulated chip that behaves as a PC does.

It enumerates the serial port and the keyboard together, asks interrupt endpoints once an interval and bulk endpoints
only while somebody has the port open and reads, leaves idle OUT endpoints unanswered, and notices when the guest leaves
the bus and comes back. Times: USB 2.0 sections 7.1.7 (suspend after 3 ms of idle, resume signalling for 20 ms).
"""

import struct
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from rp2040py.rp2040 import RP2040

from .descriptors import CLASS_CDC, CLASS_CDC_DATA, CLASS_HID, Endpoint, Interface, interfaces
from .usb_controller import UsbController

MS = 1_000_000
SUSPEND_AFTER_NS = 3 * MS
RESUME_SIGNAL_NS = 20 * MS
CONTROL_TIMEOUT_NS = 500 * MS
OUT_DELAY_NS = 5_000
LINE_CODING = struct.pack("<IBBB", 115200, 0, 0, 8)
GET_DESCRIPTOR, SET_ADDRESS, SET_CONFIGURATION = 6, 5, 9
SET_IDLE, SET_LINE_CODING, SET_CONTROL_LINE_STATE = 0x0A, 0x20, 0x22


@dataclass(frozen=True)
class KeyReport:
    """One report from the keyboard endpoint: when the guest queued it, when the host took it, what it says."""

    queued_ns: float
    taken_ns: float
    endpoint: int
    data: bytes


@dataclass
class Control:
    """One control transfer; `answer` is None until it ends and stays None when the guest stalls it."""

    request_type: int
    request: int
    value: int
    index: int
    length: int
    out: bytes = b""
    then: Callable[[bytes | None], None] | None = None
    done: bool = False
    answer: bytes | None = None
    status_stage: bool = False
    collected: bytearray = field(default_factory=bytearray)

    @property
    def is_in(self) -> bool:
        """True when the data stage flows to the host."""
        return bool(self.request_type & 0x80)


class UsbHost:
    """The PC side of the cable.

    Args:
        mcu: the emulated chip; its USB controller is replaced by one that knows suspend.
        on_change: called after anything a waiting test may look for: bytes, reports, enumeration, answers.
    """

    def __init__(self, mcu: RP2040, on_change: Callable[[], None]) -> None:
        self.clock = mcu.clock
        self.usb = UsbController(mcu)
        self._changed = on_change
        self.plugged = True
        self.open_when_ready = True
        self.reads_keys = True
        self.reads_serial = True
        self.enumerations = 0
        self.reports: list[KeyReport] = []
        self.on_serial: Callable[[bytes], None] | None = None
        self.on_report: Callable[[KeyReport], None] | None = None
        self._forget()
        alarm = self.clock.create_alarm
        self._next = alarm(self._start_control)
        self._late = alarm(self._control_timed_out)
        self._out = alarm(self._send_out)
        self._idle = alarm(self.usb.enter_suspend)
        self._awake = alarm(self._bus_awake)
        self._polls: dict[int, Any] = {}
        self.usb.on_pull_up = self._pull_up_changed
        self.usb.on_remote_wakeup = self._woken_by_guest
        self.usb.on_reset_received = self._bus_was_reset
        self.usb.on_reset = self.chip_reset
        self.usb.on_in_offered = self._in_offered
        self.usb.on_stall = self._stalled
        self.usb.on_endpoint_write = self._took_in
        self.usb.on_endpoint_read = self._out_offered

    def _forget(self) -> None:
        self.device = b""
        self.configuration = b""
        self.strings: dict[int, str] = {}
        self.report_descriptors: dict[int, bytes] = {}
        self.interfaces: list[Interface] = []
        self.configured = False
        self.suspended = False
        self.port_open = False
        self.stalled: list[Control] = []
        self._queue: deque[Control] = deque()
        self._current: Control | None = None
        self._serial_in: Endpoint | None = None
        self._serial_out: Endpoint | None = None
        self._serial_control: int | None = None
        self._keys_in: dict[int, Endpoint] = {}
        self._out_room: dict[int, int] = {}
        self._waiting_in: dict[int, tuple[int, int, float]] = {}
        self._queued_ns: dict[int, float] = {}
        self._to_send = bytearray()

    # ---- cable and power

    def chip_reset(self) -> None:
        """The chip was reset or lost power: the device is gone from the bus."""
        for alarm in (self._next, self._late, self._out, self._idle, self._awake, *self._polls.values()):
            alarm.cancel()
        self._forget()
        self._changed()

    def unplug(self) -> None:
        """Pull the cable. The unit has its own supply, so the guest sees an idle bus and suspends."""
        self.plugged = False
        self.usb.stop_frames()
        self.chip_reset()
        if self.usb.pulled_up:
            self._idle.schedule(SUSPEND_AFTER_NS)

    def plug(self) -> None:
        """Put the cable back; the host resets the bus and enumerates."""
        self.plugged = True
        self._idle.cancel()
        if self.usb.pulled_up:
            self._attach()

    def suspend(self) -> None:
        """The PC goes to sleep: frames and polls stop, and 3 ms later the guest is suspended."""
        self.suspended = True
        self.usb.stop_frames()
        self._awake.cancel()
        self._idle.schedule(SUSPEND_AFTER_NS)

    def resume(self) -> None:
        """The PC wakes up: resume signalling for 20 ms, then frames and polls again."""
        self._idle.cancel()
        self.usb.signal_resume()
        self._awake.schedule(RESUME_SIGNAL_NS)

    def _bus_awake(self) -> None:
        self.suspended = False
        self.usb.start_frames()
        self._poll_all()
        self._changed()

    def _woken_by_guest(self) -> None:
        if self.suspended:
            self.resume()

    def _pull_up_changed(self, up: bool) -> None:
        if not self.plugged:
            return
        if up:
            self._attach()
        else:
            self.usb.reset_alarm.cancel()
            self.usb.stop_frames()
            self.usb.plugged(False)
            self.chip_reset()

    def _attach(self) -> None:
        self.enumerations += 1
        self.usb.reset_device()

    # ---- enumeration

    def _bus_was_reset(self) -> None:
        self._forget()
        self.usb.start_frames()
        self.control(0x80, GET_DESCRIPTOR, 0x0100, 0, 18, then=self._got_device)
        self.control(0x00, SET_ADDRESS, 1, 0, 0)
        self.control(0x80, GET_DESCRIPTOR, 0x0200, 0, 9, then=self._got_configuration_head)
        self._next.schedule(MS)

    def _got_device(self, data: bytes | None) -> None:
        self.device = data or b""
        for index in sorted(set(self.device[14:17]) - {0}):
            self._ask_string(index)

    def _ask_string(self, index: int) -> None:
        def got(data: bytes | None) -> None:
            if data:
                self.strings[index] = data[2:].decode("utf-16-le", "replace")

        self.control(0x80, GET_DESCRIPTOR, 0x0300 | index, 0x0409, 255, then=got)

    def _got_configuration_head(self, data: bytes | None) -> None:
        if data and len(data) >= 4:
            total = data[2] | data[3] << 8
            self.control(0x80, GET_DESCRIPTOR, 0x0200, 0, total, then=self._got_configuration)

    def _got_configuration(self, data: bytes | None) -> None:
        self.configuration = data or b""
        self.interfaces = interfaces(self.configuration)
        for face in self.interfaces:
            if face.usb_class == CLASS_CDC:
                self._serial_control = face.number
            elif face.usb_class == CLASS_CDC_DATA:
                for endpoint in face.endpoints:
                    if endpoint.is_in:
                        self._serial_in = endpoint
                    else:
                        self._serial_out = endpoint
            elif face.usb_class == CLASS_HID:
                self._keys_in.update({e.number: e for e in face.endpoints if e.is_in})
            if face.string_index:
                self._ask_string(face.string_index)
        self.control(0x00, SET_CONFIGURATION, self.configuration[5], 0, 0)
        for face in self.interfaces:
            if face.usb_class == CLASS_HID:
                self._set_up_keys(face)
        if self._serial_control is not None:
            self.control(0x21, SET_LINE_CODING, 0, self._serial_control, 7, out=LINE_CODING)
            if self.open_when_ready:
                self.open_port()
        self._queue[-1].then = self._enumerated

    def _set_up_keys(self, face: Interface) -> None:
        def got(data: bytes | None) -> None:
            if data:
                self.report_descriptors[face.number] = data

        self.control(0x21, SET_IDLE, 0, face.number, 0)
        self.control(0x81, GET_DESCRIPTOR, 0x2200, face.number, face.report_bytes, then=got)

    def _enumerated(self, _answer: bytes | None) -> None:
        self.configured = True
        self._changed()

    # ---- control transfers

    def control(
        self,
        request_type: int,
        request: int,
        value: int,
        index: int,
        length: int,
        *,
        out: bytes = b"",
        then: Callable[[bytes | None], None] | None = None,
    ) -> Control:
        """Queue a control transfer (fields as in USB 2.0 table 9-2); watch `done` and `answer` of the result."""
        transfer = Control(request_type, request, value, index, length, out, then)
        self._queue.append(transfer)
        if self.configured and self._current is None:
            self._next.schedule(20_000)
        return transfer

    def _start_control(self) -> None:
        if self._current is not None or not self._queue:
            return
        now = self._current = self._queue.popleft()
        now.status_stage = now.length == 0
        self._late.schedule(CONTROL_TIMEOUT_NS)
        self.usb.send_setup_packet(
            struct.pack("<BBHHH", now.request_type, now.request, now.value, now.index, now.length)
        )

    def _end_control(self, answer: bytes | None) -> None:
        now, self._current = self._current, None
        if now is None:
            return
        self._late.cancel()
        now.done, now.answer = True, answer
        if answer is None:
            self.stalled.append(now)
        if now.then:
            now.then(answer)
        if self._queue:
            self._next.schedule(100_000)
        self._changed()

    def _control_timed_out(self) -> None:
        self._end_control(None)

    def _stalled(self, endpoint: int) -> None:
        if endpoint == 0:
            self._end_control(None)

    def _control_in(self, data: bytes) -> None:
        now = self._current
        if now is None:
            return
        if now.is_in and not now.status_stage:
            now.collected += data
            now.status_stage = len(data) < 64 or len(now.collected) >= now.length
        elif not now.is_in and not data:
            self._end_control(b"")

    def _control_out(self, room: int) -> None:
        now = self._current
        if now is None:
            return
        if now.is_in:
            if now.status_stage:
                self.usb.endpoint_read_done(0, b"")
                self._end_control(bytes(now.collected))
        elif now.out:
            chunk, now.out = now.out[:room], now.out[room:]
            self.usb.endpoint_read_done(0, chunk)

    # ---- data from the guest

    def _asks(self, endpoint: int) -> bool:
        """Whether the host sends IN tokens to this endpoint just now."""
        if endpoint == 0:
            return True
        if self.suspended or not self.plugged:
            return False
        if endpoint in self._keys_in:
            return self.reads_keys
        if self._serial_in and endpoint == self._serial_in.number:
            return self.port_open and self.reads_serial
        return True

    def _in_offered(self, endpoint: int, offset: int, value: int) -> bool:
        if not value & 1 << 10:  # the guest took its buffer back
            self._waiting_in.pop(endpoint, None)
            return False
        if endpoint == 0 or (endpoint not in self._keys_in and self._asks(endpoint)):
            return False
        self._waiting_in[endpoint] = (offset, value, self.clock.nanos)
        if self._asks(endpoint):
            self._arm_poll(endpoint)
        return True

    def _arm_poll(self, endpoint: int) -> None:
        interval = max(self._keys_in[endpoint].interval, 1) * MS
        if endpoint not in self._polls:
            self._polls[endpoint] = self.clock.create_alarm(lambda: self._poll(endpoint))
        self._polls[endpoint].schedule(interval - self.clock.nanos % interval)

    def _poll(self, endpoint: int) -> None:
        if endpoint in self._waiting_in and self._asks(endpoint):
            offset, value, self._queued_ns[endpoint] = self._waiting_in.pop(endpoint)
            self.usb.release_in(offset, value)

    def _poll_all(self) -> None:
        for endpoint in list(self._waiting_in):
            if not self._asks(endpoint):
                continue
            if endpoint in self._keys_in:
                self._arm_poll(endpoint)
            else:
                self._poll(endpoint)
        if self._to_send:
            self._out.schedule(OUT_DELAY_NS)

    def _took_in(self, endpoint: int, buffer: bytes | bytearray) -> None:
        data = bytes(buffer)
        if endpoint == 0:
            self._control_in(data)
        elif endpoint in self._keys_in:
            report = KeyReport(self._queued_ns.get(endpoint, 0.0), self.clock.nanos, endpoint, data)
            self.reports.append(report)
            if self.on_report:
                self.on_report(report)
            self._changed()
        elif self._serial_in and endpoint == self._serial_in.number and data:
            if self.on_serial:
                self.on_serial(data)
            self._changed()

    # ---- data to the guest

    def _out_offered(self, endpoint: int, room: int) -> None:
        if endpoint == 0:
            self._control_out(room)
            return
        self._out_room[endpoint] = room
        if self._to_send:
            self._out.schedule(OUT_DELAY_NS)

    def _send_out(self) -> None:
        port = self._serial_out
        if port is None or self.suspended or not self._to_send or port.number not in self._out_room:
            return
        room = self._out_room.pop(port.number)
        chunk = bytes(self._to_send[:room])
        del self._to_send[:room]
        self.usb.endpoint_read_done(port.number, chunk)
        self._changed()

    # ---- the serial port, as a program on the PC sees it

    @property
    def unsent_bytes(self) -> int:
        """Bytes written by the program that the guest has not taken."""
        return len(self._to_send)

    @property
    def control_idle(self) -> bool:
        """True when no control transfer runs or waits."""
        return self._current is None and not self._queue

    def drop_unsent(self) -> None:
        """Forget bytes that the guest has not taken."""
        self._to_send.clear()

    def open_port(self) -> None:
        """A program opens the port: DTR and RTS rise and the host asks for data."""
        self.set_lines(dtr=True, rts=True)
        self.port_open = True
        self._poll_all()

    def close_port(self) -> None:
        """The program closes the port: DTR and RTS fall, what was not sent is dropped, the host asks no more."""
        self.drop_unsent()
        self.port_open = False
        self.set_lines(dtr=False, rts=False)

    def set_lines(self, *, dtr: bool, rts: bool) -> None:
        """Drive DTR and RTS (CDC PSTN 1.2, SET_CONTROL_LINE_STATE)."""
        if self._serial_control is not None:
            self.control(0x21, SET_CONTROL_LINE_STATE, dtr | rts << 1, self._serial_control, 0)

    def write(self, data: bytes) -> None:
        """Queue bytes for the guest."""
        self._to_send += data
        self._out.schedule(OUT_DELAY_NS)

    def stop_reading(self) -> None:
        """The program holds the port open and reads nothing."""
        self.reads_serial = False

    def start_reading(self) -> None:
        """The program reads again; what the guest has waiting arrives."""
        self.reads_serial = True
        self._poll_all()

    def stop_key_polls(self) -> None:
        """The host stops asking for key reports, as a hung one does."""
        self.reads_keys = False

    def start_key_polls(self) -> None:
        """The host asks for key reports again."""
        self.reads_keys = True
        self._poll_all()
