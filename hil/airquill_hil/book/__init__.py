"""The record book: every run and every repair of a shop's units, in one SQLite file that is only ever added to."""

from airquill_hil.book.book import Book, Repair
from airquill_hil.book.runs import Run, first_passes, is_retest, read_runs, runs_of

__all__ = ["Book", "Repair", "Run", "first_passes", "is_retest", "read_runs", "runs_of"]
