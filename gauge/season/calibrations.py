"""Verifications, calibrations, anchors, pads, practice, clamshell counts: the manager's tables."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import astuple
from typing import Any

from gauge.errors import AlreadyThereError, NoSuchRecordError
from gauge.season.rows import (
    AnchorRow,
    CalibrationRow,
    CheckweightRow,
    ClamshellRow,
    PadPressRow,
    PracticeRow,
    PressRow,
    VerificationRow,
)
from gauge.season.tables import SeasonBase, column, now
from gauge.version import __version__

_ANCHOR_FIELDS = (
    "calibration", "kind", "label", "berry_id", "score", "boundary", "force_newton", "press_limit",
    "valid_days", "made_at",
)  # fmt: skip
_ANCHOR = ", ".join(map(column, _ANCHOR_FIELDS))


def _json(document: Mapping[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False)


class CalibrationTables(SeasonBase):
    """What is decided from the berries, and what the gauge and the hands are checked with."""

    # --- verifications ------------------------------------------------------------------------

    def add_verification(
        self,
        *,
        gravity_m_s2: float,
        gravity_from: str,
        tolerance_pct: float,
        passed: bool,
        result: Mapping[str, Any],
        checkweights: Sequence[CheckweightRow] = (),
        session_id: int | None = None,
        gauge: str | None = None,
        gauge_serial: str | None = None,
        at: str | None = None,
    ) -> int:
        """Store a verification with its readings in one transaction, and return its id."""
        with self._write("storing a verification") as db:
            cursor = db.execute(
                "INSERT INTO verifications (session_id, at, gauge, gauge_serial, gravity_m_s2, "
                "gravity_from, tolerance_pct, passed, result) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (session_id, at or now(), gauge, gauge_serial, gravity_m_s2, gravity_from,
                 tolerance_pct, int(passed), _json(result)),
            )  # fmt: skip
            verification_id = int(cursor.lastrowid or 0)
            db.executemany(
                "INSERT INTO checkweights VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [(verification_id, i, *astuple(row)) for i, row in enumerate(checkweights, 1)],
            )
        return verification_id

    def verifications(self) -> list[VerificationRow]:
        """All verifications with their readings, oldest first."""
        steps: dict[int, list[CheckweightRow]] = {}
        for i, *row in self._rows(
            "SELECT verification_id, kind, mass_shown, mass_g, expected_n, reading_shown, "
            "reading_unit, reading_n FROM checkweights ORDER BY 1, step"
        ):
            names = CheckweightRow.__slots__
            steps.setdefault(i, []).append(CheckweightRow(**dict(zip(names, row, strict=True))))
        return [
            VerificationRow(
                verification_id=row[0], at=row[1], session_id=row[2], gauge=row[3],
                gauge_serial=row[4], gravity_m_s2=row[5], gravity_from=row[6],
                tolerance_pct=row[7], passed=bool(row[8]), result=json.loads(row[9]),
                checkweights=tuple(steps.get(row[0], ())),
            )
            for row in self._rows(
                "SELECT verification_id, at, session_id, gauge, gauge_serial, gravity_m_s2, "
                "gravity_from, tolerance_pct, passed, result FROM verifications ORDER BY at, 1"
            )
        ]  # fmt: skip

    # --- calibrations -------------------------------------------------------------------------

    def save_calibration(
        self, name: str, fingerprint: str, document: Mapping[str, Any], version: str = __version__
    ) -> None:
        """Store a calibration under a name.

        Raises
        ------
        AlreadyThereError
            If the name is taken; a calibration is never overwritten.
        """
        with self._write("storing a calibration") as db:
            if db.execute("SELECT 1 FROM calibrations WHERE name = ?", (name,)).fetchone():
                raise AlreadyThereError(
                    f"{self.path} holds a calibration '{name}' already.",
                    todo="It is never overwritten; choose another name.",
                )
            db.execute(
                "INSERT INTO calibrations VALUES (?, ?, ?, ?, ?)",
                (name, now(), fingerprint, version, _json(document)),
            )

    def calibration(self, name: str) -> CalibrationRow:
        """The calibration of a name.

        Raises
        ------
        NoSuchRecordError
            If there is none.
        """
        rows = self.calibrations()
        for row in rows:
            if row.name == name:
                return row
        known = ", ".join(row.name for row in rows)
        raise NoSuchRecordError(
            f"{self.path} holds no calibration '{name}'.",
            todo=f"It holds {known}." if known else "It holds none at all.",
        )

    def calibrations(self) -> list[CalibrationRow]:
        """All calibrations, oldest first."""
        return [
            CalibrationRow(name=n, at=at, fingerprint=f, version=v, document=json.loads(d))
            for n, at, f, v, d in self._rows(
                "SELECT name, at, fingerprint, version, document FROM calibrations ORDER BY 2, 1"
            )
        ]

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
        """Store an anchor of a calibration and return its id.

        Raises
        ------
        AlreadyThereError
            If the calibration has an anchor of that label.
        NoSuchRecordError
            If there is no such calibration or berry.
        """
        with self._write(f"storing anchor {label}") as db:
            cursor = db.execute(
                f"INSERT INTO anchors ({_ANCHOR}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (calibration, kind, label, berry_id, score, boundary, force_newton, press_limit,
                 valid_days, made_at or now()),
            )  # fmt: skip
            return int(cursor.lastrowid or 0)

    def add_anchor_press(
        self, anchor_id: int, *, force_newton: float | None = None, by: str | None = None,
        at: str | None = None,
    ) -> None:  # fmt: skip
        """Store a squeeze of an anchor, with its force where it was pressed on the gauge."""
        with self._write("storing a press of an anchor") as db:
            sql = "INSERT INTO anchor_presses (anchor_id, at, force_n, by) VALUES (?, ?, ?, ?)"
            db.execute(sql, (anchor_id, at or now(), force_newton, by))

    def retire_anchor(self, anchor_id: int, why: str, at: str | None = None) -> None:
        """Retire an anchor; it stays in the file.

        Raises
        ------
        AlreadyThereError
            If it is retired already.
        """
        with self._write("retiring an anchor") as db:
            sql = "INSERT INTO anchor_retirements VALUES (?, ?, ?)"
            db.execute(sql, (anchor_id, at or now(), why))

    def anchors(self, calibration: str | None = None) -> list[AnchorRow]:
        """All anchors with their presses, retired ones too; of one calibration if named."""
        presses: dict[int, list[PressRow]] = {}
        for anchor_id, at, force_newton, by in self._rows(
            "SELECT anchor_id, at, force_n, by FROM anchor_presses ORDER BY press_id"
        ):
            presses.setdefault(anchor_id, []).append(
                PressRow(at=at, force_newton=force_newton, by=by)
            )
        names = ("anchor_id", *_ANCHOR_FIELDS, "retired_at", "retired_why")
        return [
            AnchorRow(**dict(zip(names, row, strict=True)), presses=tuple(presses.get(row[0], ())))
            for row in self._rows(
                f"SELECT a.anchor_id, {_ANCHOR}, r.at, r.why FROM anchors a "
                "LEFT JOIN anchor_retirements r USING (anchor_id) "
                "WHERE ?1 IS NULL OR calibration = ?1 ORDER BY 1",
                (calibration,),
            )
        ]

    # --- pads, practice, clamshells -----------------------------------------------------------

    def add_pad_press(self, row: PadPressRow) -> None:
        """Store a press of a durable pad."""
        with self._write("storing a press of a pad") as db:
            sql = "INSERT INTO pad_presses (pad, at, force_n) VALUES (?, ?, ?)"
            db.execute(sql, astuple(row))

    def pad_presses(self) -> list[PadPressRow]:
        """All presses of durable pads, oldest first."""
        sql = "SELECT pad, at, force_n FROM pad_presses ORDER BY at, press_id"
        return [PadPressRow(pad=p, at=at, force_newton=f) for p, at, f in self._rows(sql)]

    def add_practice(self, row: PracticeRow) -> None:
        """Store one squeeze of a warm-up."""
        with self._write("storing practice") as db:
            db.execute(
                "INSERT INTO practice (rater, at, calibration, anchor, force_n, score, off_n) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                astuple(row),
            )

    def practice(self, rater: str | None = None) -> list[PracticeRow]:
        """All practice, oldest first; of one rater if named."""
        names = PracticeRow.__slots__
        sql = (
            f"SELECT {', '.join(map(column, names))} FROM practice WHERE ?1 IS NULL OR rater = ?1 "
            "ORDER BY practice_id"
        )
        rows = self._rows(sql, (rater,))
        return [PracticeRow(**dict(zip(names, row, strict=True))) for row in rows]

    def add_clamshell_counts(self, rows: Sequence[ClamshellRow]) -> None:
        """Store clamshell sheets in one transaction, all or none.

        Raises
        ------
        AlreadyThereError
            If the rater's sheet of that sample is stored already.
        NoSuchRecordError
            If the season has no such sample.
        """
        with self._write("storing clamshell counts") as db:
            for row in rows:
                found = db.execute(
                    "SELECT sample_id FROM samples WHERE ? IN (code, blind_code)", (row.sample,)
                ).fetchone()
                if found is None:
                    raise NoSuchRecordError(f"{self.path} holds no sample '{row.sample}'.")
                key = (found[0], row.rater)
                if db.execute(
                    "SELECT 1 FROM clamshell_counts WHERE sample_id = ? AND rater = ?", key
                ).fetchone():
                    raise AlreadyThereError(
                        f"{self.path} holds the sheet of sample '{row.sample}' by {row.rater}."
                    )
                db.execute(
                    "INSERT INTO clamshell_counts (sample_id, rater, sheet, at) "
                    "VALUES (?, ?, ?, ?)",
                    (*key, _json(row.sheet), row.at),
                )

    def clamshell_counts(self) -> list[ClamshellRow]:
        """All clamshell sheets, in the order of samples and raters."""
        return [
            ClamshellRow(sample=code, rater=rater, at=at, sheet=json.loads(sheet))
            for code, rater, at, sheet in self._rows(
                "SELECT s.code, c.rater, c.at, c.sheet FROM clamshell_counts c "
                "JOIN samples s USING (sample_id) ORDER BY s.sample_id, c.rater"
            )
        ]
