"""Verifications, calibrations, anchors, pads, practice, clamshell counts: the manager's tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from operator import itemgetter
from typing import Any

from gauge.csvsheet import name_key
from gauge.errors import AlreadyThereError, NoSuchRecordError
from gauge.package import __version__
from gauge.records import Sample, as_day
from gauge.season.connection import damaged
from gauge.season.rows import (
    AnchorRow,
    CalibrationRow,
    CertificateRow,
    CheckweightRow,
    ClamshellRow,
    PadPressRow,
    PracticeRow,
    PressRow,
    VerificationRow,
    made,
)
from gauge.season.tables import Tables, as_json, now, stored

# Settings; ids of rows that were taken back, as these tables have no column for it.
_GONE = {"pad_presses": "pad presses taken back", "practice": "practice taken back"}


def _earliest(*days: date | None) -> date | None:
    return min((day for day in days if day is not None), default=None)


class CalibrationTables(Tables):
    """What is decided from the berries, and what the gauge and the hands are checked with."""

    # --- verifications ------------------------------------------------------------------------

    def add_verification(
        self,
        result: Mapping[str, Any],
        checkweights: Sequence[CheckweightRow] = (),
        *,
        session_id: int | None = None,
        gauge: str | None = None,
        gauge_serial: str | None = None,
        at: str | None = None,
    ) -> int:
        """Store a verification with its readings in one transaction, and return its id.

        `result` is its document, with "passed", "tolerance_pct", "gravity_m_s2" and "gravity_from".
        """
        with self._write("storing a verification"):
            verification_id = self._add(
                "verifications",
                session_id=session_id,
                at=at or now(),
                gauge=gauge,
                gauge_serial=gauge_serial,
                passed=int(result["passed"]),
                result=as_json(result),
                **{n: result[n] for n in ("gravity_m_s2", "gravity_from", "tolerance_pct")},
            )
            for step, row in enumerate(checkweights, 1):
                place = {"verification_id": verification_id, "step": step}
                self._add("checkweights", **place, **stored(row))
        return verification_id

    def verifications(self) -> list[VerificationRow]:
        """All verifications with their readings, oldest first."""
        steps: dict[int, list[CheckweightRow]] = {}
        for row in self._dicts("checkweights"):
            steps.setdefault(row["verification_id"], []).append(made(CheckweightRow, row))
        found = [
            made(
                VerificationRow,
                row,
                passed=bool(row["passed"]),
                checkweights=tuple(steps.get(row["verification_id"], ())),
            )
            for row in self._dicts("verifications")
        ]
        for one in found:
            try:
                datetime.fromisoformat(one.at)
                list(one.result.setdefault("weights", []))
            except (ValueError, TypeError):
                what = f"the check of weights {one.verification_id} cannot be read"
                raise damaged(self.path, what) from None
        return sorted(found, key=lambda row: row.at)

    def add_certificate(self, row: CertificateRow) -> None:
        """Store a certificate; the one stored last counts."""
        with self._write("storing a certificate"):
            self._add("certificates", at=now(), **stored(row))

    def certificates(
        self, gauge: str | None = None, gauge_serial: str | None = None
    ) -> list[CertificateRow]:
        """The newest certificate of the weights, and of this gauge."""
        found = {
            (row["kind"], name_key(row["name"])): made(CertificateRow, row)
            for row in self._dicts("certificates")
        }
        ours = [("weights", "weights")]
        ours += [("gauge", name_key(name)) for name in (gauge_serial, gauge) if name]
        return [found[key] for key in ours if key in found]

    # --- calibrations -------------------------------------------------------------------------

    def save_calibration(self, name: str, fingerprint: str, document: Mapping[str, Any]) -> None:
        """Store a calibration under a name that is free; it is never overwritten."""
        with self._write("storing a calibration"):
            if (name,) in self._records("calibrations", "name"):
                raise AlreadyThereError(
                    f"{self.path} holds a calibration '{name}' already.",
                    todo="It is never overwritten; choose another name.",
                )
            self._add(
                "calibrations",
                name=name,
                at=now(),
                fingerprint=fingerprint,
                version=__version__,
                document=as_json(document),
            )

    def calibration(self, name: str) -> CalibrationRow:
        """The calibration of a name."""
        known = {row.name: row for row in self.calibrations()}
        return self._one_of(known, name, f"calibration '{name}'")

    def calibrations(self) -> list[CalibrationRow]:
        """All calibrations, oldest first."""
        found = [made(CalibrationRow, row) for row in self._dicts("calibrations")]
        return sorted(found, key=lambda row: (row.at, row.name))

    # --- anchors ------------------------------------------------------------------------------

    def add_anchor(
        self,
        *,
        calibration: str,
        kind: str,
        label: str,
        force_newton: float,
        berry_id: int | None = None,
        score: str | None = None,
        boundary: str | None = None,
        press_limit: int = 5,
        valid_days: float = 3.0,
        made_at: str | None = None,
    ) -> int:
        """Store an anchor of a calibration, each with a label of its own, and return its id."""
        with self._write(f"storing anchor {label}"):
            return self._add(
                "anchors",
                calibration=calibration,
                kind=kind,
                label=label,
                berry_id=berry_id,
                score=score,
                boundary=boundary,
                force_n=force_newton,
                press_limit=press_limit,
                valid_days=valid_days,
                made_at=made_at or now(),
            )

    def add_anchor_press(
        self, anchor_id: int, *, force_newton: float | None = None, by: str | None = None,
        at: str | None = None,
    ) -> None:  # fmt: skip
        """Store a squeeze of an anchor, with its force where it was pressed on the gauge."""
        with self._write("storing a press of an anchor"):
            self._add(
                "anchor_presses", anchor_id=anchor_id, at=at or now(), force_n=force_newton, by=by
            )

    def take_back_anchor_press(self, row: AnchorRow, why: str, *, restore: bool) -> None:
        """Take back the last squeeze of an anchor, and its retirement too if `restore`."""
        with self._write("taking back a press of an anchor"):
            last = row.presses[-1].press_id
            self._change("anchor_presses", [last], {"taken_back": why}, kind="undo", why=why)
            if restore:
                new = {"retired_at": None, "retired_why": None}
                self._change("anchors", [row.anchor_id], new, kind="undo", why=why)

    def retire_anchor(self, anchor_id: int, why: str) -> None:
        """Retire an anchor; it stays in the file."""
        with self._write("retiring an anchor"):
            row = next((row for row in self.anchors() if row.anchor_id == anchor_id), None)
            if row is None:
                raise NoSuchRecordError(f"{self.path} holds no anchor {anchor_id}.")
            if row.retired_at is not None:
                raise AlreadyThereError(f"Anchor {row.label} is retired already.")
            new = {"retired_at": now(), "retired_why": why}
            self._change("anchors", [anchor_id], new, kind="retire", why=why)

    def anchors(self, calibration: str | None = None) -> list[AnchorRow]:
        """All anchors with the presses that count, retired ones too; of one calibration or all."""
        presses: dict[int, list[PressRow]] = {}
        for row in self._dicts("anchor_presses"):
            if row["taken_back"] is None:
                presses.setdefault(row["anchor_id"], []).append(made(PressRow, row))
        void: dict[int | None, str] = dict(self._records("berries", "berry_id", "void_why"))
        pressed = self.press_days()
        return [
            made(
                AnchorRow,
                row,
                presses=tuple(presses.get(row["anchor_id"], ())),
                void=void.get(row["berry_id"]),
                since=_earliest(as_day(row["made_at"]), pressed.get(row["berry_id"])),
            )
            for row in self._dicts("anchors")
            if calibration in {None, row["calibration"]}
        ]

    def press_days(self) -> dict[int, date]:
        """The day on which each berry was pressed, by its id, where it is known.

        A berry replayed later has a clock time after its press: harvest plus storage day, where a
        sample has both, is then the earlier. One of a sheet that names no time has that of its
        storing (which ends in Z, as no time of a sheet does), and that is not used.
        """
        due = {
            row["sample_id"]: made(Sample, row).due
            for row in self._dicts("samples")
            if row["storage_day"] is not None
        }
        peaks = self._records("peaks", "berry_id", "n_readings")
        imported = {berry_id for berry_id, n_readings in peaks if n_readings == 0}
        days = {}
        for i, sample_id, at in self._records("berries", "berry_id", "sample_id", "at"):
            clock = None if i in imported and at.endswith("Z") else as_day(at)
            days[i] = _earliest(clock, due.get(sample_id))
        return {berry_id: day for berry_id, day in days.items() if day is not None}

    # --- pads, practice, clamshells -----------------------------------------------------------

    def add_pad_press(self, row: PadPressRow) -> None:
        """Store a press of a durable pad."""
        with self._write("storing a press of a pad"):
            self._add("pad_presses", **stored(row))

    def take_back_pad_press(self, pad: str, why: str) -> PadPressRow:
        """Take back the press of a pad that was stored last."""
        return made(PadPressRow, self._take_back("pad_presses", "pad", pad, "press of pad", why))

    def pad_presses(self) -> list[PadPressRow]:
        """All presses of durable pads that count, oldest first."""
        found = [made(PadPressRow, row) for row in self._counted("pad_presses")]
        return sorted(found, key=lambda row: row.at)

    def _counted(self, table: str) -> list[dict[str, Any]]:
        gone = self.setting(_GONE[table]) or ()
        return [row for row in self._dicts(table) if row[self._columns(table)[0]] not in gone]

    def _take_back(
        self, table: str, column: str, name: str, what: str, why: str
    ) -> dict[str, Any]:  # fmt: skip
        """Take back the row of a name that was stored last."""
        with self._write(f"taking back the {what} {name}"):
            last = {row[column]: row for row in self._counted(table)}
            row = self._one_of(last, name, f"{what} {name}")
            gone = [*(self.setting(_GONE[table]) or ()), row[self._columns(table)[0]]]
            self._set(_GONE[table], gone, kind="undo", why=why)
        return row

    def add_practice(self, row: PracticeRow) -> None:
        """Store one squeeze of a warm-up."""
        with self._write("storing practice"):
            self._add("practice", **stored(row))

    def practice(self) -> list[PracticeRow]:
        """All practice, oldest first."""
        return [made(PracticeRow, row) for row in self._counted("practice")]

    def take_back_practice(self, rater: str, why: str) -> PracticeRow:
        """Take back the score that a rater gave last in practice."""
        row = self._take_back("practice", "rater", rater, "practice of", why)
        return made(PracticeRow, row)

    def add_clamshell_counts(self, rows: Sequence[ClamshellRow]) -> None:
        """Store clamshell sheets, all or none; a rater has one of a sample."""
        with self._write("storing clamshell counts"):
            ids = {
                name: sample_id
                for sample_id, *names in self._records("samples", "sample_id", "code", "blind_code")
                for name in names
            }
            taken = set(self._records("clamshell_counts", "sample_id", "rater"))
            for row in rows:
                if row.sample not in ids:
                    raise NoSuchRecordError(f"{self.path} holds no sample '{row.sample}'.")
                key = (ids[row.sample], row.rater)
                if key in taken:
                    raise AlreadyThereError(
                        f"{self.path} holds the sheet of sample '{row.sample}' by {row.rater}."
                    )
                taken.add(key)
                document = as_json(row.sheet)
                self._add(
                    "clamshell_counts", sample_id=key[0], rater=row.rater, sheet=document, at=row.at
                )

    def clamshell_counts(self) -> list[ClamshellRow]:
        """All clamshell sheets, in the order of samples and raters."""
        codes: dict[int, str] = dict(self._records("samples", "sample_id", "code"))
        rows = self._dicts("clamshell_counts")
        rows.sort(key=itemgetter("sample_id", "rater", "at"))
        return [made(ClamshellRow, row, sample=codes[row["sample_id"]]) for row in rows]
