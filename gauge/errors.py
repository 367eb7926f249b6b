"""Every error that firmhand raises on purpose: one base, one class per cause, an exit code each.

A message names the port, file, line or berry, says what is wrong and what to do next. The command
lines print it on stderr and leave with `exit_code`.
"""

from __future__ import annotations

from typing import Any, ClassVar


class FirmhandError(Exception):
    """Base of all errors that a user can cause or fix.

    `what` is wrong, naming the port, file, line or berry; `todo` is what to do next.
    """

    exit_code: ClassVar[int] = 1

    def __init_subclass__(cls, *, code: int | None = None, **options: Any) -> None:
        """Give a class its exit code, or the one of its base."""
        super().__init_subclass__(**options)
        if code is not None:
            cls.exit_code = code

    def __init__(self, what: str, *, todo: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.todo = todo

    def __str__(self) -> str:
        return f"{self.what} {self.todo}".strip()


# --- values and files that come in -----------------------------------------------------------


class InvalidValueError(FirmhandError, ValueError, code=10):
    """A value that a record cannot hold (negative force, unknown word, not a number)."""


class UnknownUnitError(InvalidValueError, code=11):
    """A unit that is not a unit of force known here."""


class UnreadableFileError(FirmhandError, code=12):
    """A file that is missing, locked, a folder, or not text in the expected encoding."""


class BadTableError(FirmhandError, code=13):
    """A CSV with a missing column or a bad cell; the message names file, row and column."""


class BadCaptureError(FirmhandError, code=14):
    """A capture text that breaks its own rules; the message names file and line."""


class BadFormatError(FirmhandError, code=15):
    """A line format file that is not TOML, or has an impossible value."""


class CannotWriteError(FirmhandError, code=16):
    """A target that cannot be written: locked, read-only, no such folder, disk full."""


class NotConfirmedError(FirmhandError, code=17):
    """Something doubtful that was not done, for nobody confirmed it."""


# --- the season file --------------------------------------------------------------------------


class NotASeasonError(FirmhandError, code=20):
    """A file that is not a season file of firmhand."""


class NewerSeasonError(FirmhandError, code=21):
    """A season file written by a newer firmhand."""


class LockedSeasonError(FirmhandError, code=22):
    """A season file, or a sample in it, that another program holds."""


class ReadOnlySeasonError(FirmhandError, code=23):
    """A season file that may not be written."""


class DamagedSeasonError(FirmhandError, code=24):
    """A season file that does not fit itself. It is never repaired in silence."""


class StorageFailedError(FirmhandError, code=25):
    """The disk refused a write (full, input/output error). Nothing acknowledged is lost."""


class NoSuchRecordError(FirmhandError, code=26):
    """A berry, sample, session or stored calibration that the season file does not hold."""


class AlreadyThereError(FirmhandError, code=27):
    """A name or record that exists and is not overwritten in silence."""


class SeasonGoneError(FirmhandError, code=28):
    """A season file that was removed, moved or overwritten while it was in use."""


class StoppedError(FirmhandError, code=29):
    """Stopped by the user (Ctrl-C) before there was a result; the message says what is kept."""


# --- the serial line --------------------------------------------------------------------------


class PortError(FirmhandError, code=30):
    """A port that does not exist or cannot be opened."""


class PortBusyError(PortError, code=31):
    """A port that another program (or a second logger of ours) holds."""


class NotSureError(FirmhandError, code=32):
    """What was received does not settle one line format; nothing was written."""


class NothingReceivedError(FirmhandError, code=33):
    """The line stayed silent, or nothing on it could be read by the line format."""


class VerificationFailedError(FirmhandError, code=40):
    """A check weight read outside the tolerance, or never became stable."""


# --- calibration ------------------------------------------------------------------------------


class TooFewScoresError(FirmhandError, code=50):
    """Fewer than two scores used, or too few rows to fit anything."""


class SeparationError(FirmhandError, code=51):
    """Scores do not overlap in force, so no finite best fit exists."""


class WrongDirectionError(FirmhandError, code=52):
    """Scores run against force for the declared scale."""


class NotConvergedError(FirmhandError, code=53):
    """The optimiser stopped away from the maximum."""


class NoSuchRaterError(FirmhandError, code=60):
    """A rater that the source does not name."""


class CannotCompareError(FirmhandError, code=61):
    """Seasons, raters or scales that cannot be compared."""


class InfeasiblePlanError(FirmhandError, code=62):
    """A plan that the berries, lots or raters at hand do not allow."""


class ImpossibleSheetError(FirmhandError, code=70):
    """A clamshell sheet that cannot be true; the message names the cell."""


class ContradictionError(FirmhandError, code=71):
    """Sources that contradict each other about the same sample."""


class DemoFailedError(FirmhandError, code=90):
    """A command of the demo failed: a fault of the installation, not of the user."""
