"""Key names, host layouts and strokes: from what a person writes to what the PC receives, and back."""

from airquill.keys.check import Finding, check
from airquill.keys.consent import is_agreed, remember
from airquill.keys.describe import describe
from airquill.keys.layouts import DATA_VERSION, LAYOUT_NAMES, Layout, layout
from airquill.keys.report import KeyEvent, SeenChord, chords_seen, events, still_down, typed
from airquill.keys.risk import Risk, fingerprint, needed_settings, needs_consent, reasons, risk
from airquill.keys.strokes import Chord, Stroke, decode, encode, parse
from airquill.keys.usages import NAMES, name_of, usage_of

__all__ = [
    "DATA_VERSION",
    "LAYOUT_NAMES",
    "NAMES",
    "Chord",
    "Finding",
    "KeyEvent",
    "Layout",
    "Risk",
    "SeenChord",
    "Stroke",
    "check",
    "chords_seen",
    "decode",
    "describe",
    "encode",
    "events",
    "fingerprint",
    "is_agreed",
    "layout",
    "name_of",
    "needed_settings",
    "needs_consent",
    "parse",
    "reasons",
    "remember",
    "risk",
    "still_down",
    "typed",
    "usage_of",
]
