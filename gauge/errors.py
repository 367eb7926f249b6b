"""Every error that firmhand raises on purpose: one base, one class per cause, an exit code each.

A message names the port, file, line or berry, says what is wrong and what to do next. The command
lines print it on stderr and leave with `exit_code`; nothing here prints or exits.
"""

from __future__ import annotations

from typing import ClassVar


class FirmhandError(Exception):
    """Base of all errors that a user can cause or mend.

    Parameters
    ----------
    what : str
        What is wrong, naming the port, file, line or berry.
    todo : str, optional
        What the user can do next, one sentence.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, *, todo: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.todo = todo

    def __str__(self) -> str:
        return f"{self.what} {self.todo}".strip()


# --- values and files that come in -----------------------------------------------------------


class InvalidValueError(FirmhandError, ValueError):
    """A value that a record cannot hold (negative force, unknown word, not a number)."""

    exit_code = 10


class UnknownUnitError(InvalidValueError):
    """A unit that is not a unit of force known here."""

    exit_code = 11


class UnreadableFileError(FirmhandError):
    """A file that is missing, locked, a folder, or not text in the expected encoding."""

    exit_code = 12


class BadTableError(FirmhandError):
    """A CSV with a missing column or a bad cell; the message names file, row and column."""

    exit_code = 13


class BadCaptureError(FirmhandError):
    """A capture text that breaks its own rules; the message names file and line."""

    exit_code = 14


class BadFormatError(FirmhandError):
    """A line format file that is not TOML, or says something impossible."""

    exit_code = 15


class CannotWriteError(FirmhandError):
    """A target that cannot be written: locked, read-only, no such folder, disk full."""

    exit_code = 16


# --- the season file --------------------------------------------------------------------------


class NotASeasonError(FirmhandError):
    """A file that is not a season file of firmhand."""

    exit_code = 20


class NewerSeasonError(FirmhandError):
    """A season file written by a newer firmhand."""

    exit_code = 21


class LockedSeasonError(FirmhandError):
    """A season file, or a sample in it, that another program holds."""

    exit_code = 22


class ReadOnlySeasonError(FirmhandError):
    """A season file that may not be written."""

    exit_code = 23


class DamagedSeasonError(FirmhandError):
    """A season file that SQLite reports as damaged. It is never repaired in silence."""

    exit_code = 24


class StorageFailedError(FirmhandError):
    """The disk refused a write (full, input/output error). Nothing acknowledged is lost."""

    exit_code = 25


class NoSuchRecordError(FirmhandError):
    """A berry, sample, session or stored calibration that the season file does not hold."""

    exit_code = 26


class AlreadyThereError(FirmhandError):
    """A name or record that exists and is not overwritten in silence."""

    exit_code = 27


class StoppedError(FirmhandError):
    """Stopped by the user (Ctrl-C) before there was a result; the message says what is kept."""

    exit_code = 29


# --- the serial line --------------------------------------------------------------------------


class PortError(FirmhandError):
    """A port that does not exist or cannot be opened."""

    exit_code = 30


class PortBusyError(PortError):
    """A port that another program (or a second logger of ours) holds."""

    exit_code = 31


class NotSureError(FirmhandError):
    """What was heard does not settle one line format; nothing was written."""

    exit_code = 32


class NothingReceivedError(FirmhandError):
    """The line stayed silent, or nothing on it could be read as the format says."""

    exit_code = 33


class VerificationFailedError(FirmhandError):
    """A check weight read outside the tolerance, or never became stable."""

    exit_code = 40


# --- calibration ------------------------------------------------------------------------------


class TooFewScoresError(FirmhandError):
    """Fewer than two scores used, or too few rows to fit anything."""

    exit_code = 50


class SeparationError(FirmhandError):
    """Force tells the scores apart without overlap, so no finite best fit exists."""

    exit_code = 51


class WrongDirectionError(FirmhandError):
    """Scores run against force for the declared scale."""

    exit_code = 52


class NotConvergedError(FirmhandError):
    """The optimiser stopped away from the maximum."""

    exit_code = 53


class NoSuchRaterError(FirmhandError):
    """A rater that the source does not name."""

    exit_code = 60


class CannotCompareError(FirmhandError):
    """Seasons, raters or scales that cannot be held against one another."""

    exit_code = 61


class InfeasiblePlanError(FirmhandError):
    """Wishes that the berries, lots or raters at hand cannot fulfil."""

    exit_code = 62


class ImpossibleSheetError(FirmhandError):
    """A clamshell sheet that cannot be true; the message names the cell."""

    exit_code = 70


class ContradictionError(FirmhandError):
    """Sources that say different things of the same sample."""

    exit_code = 71


class DemoFailedError(FirmhandError):
    """A command of the demo failed: a fault of the installation, not of the user."""

    exit_code = 90
