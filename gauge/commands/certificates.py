"""Certificates of the gauge and of the weights, typed with `gauge verify` and `gauge start`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import click

from gauge.clikit import read_by
from gauge.printed import say

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import CertificateRow


def certificate(parts: Sequence[str]) -> CertificateRow:
    """Read a certificate: gauge or weights, number, date of issue, due date."""
    from gauge.season.rows import CertificateRow

    try:
        kind, number, *days = parts
        issued, due = (date.fromisoformat(day).isoformat() for day in days)
    except ValueError:
        raise click.BadParameter(
            f"'{' '.join(parts)}' is no certificate such as gauge K-118 2026-01-31 2027-01-31."
        ) from None
    if kind not in {"gauge", "weights"}:
        raise click.BadParameter(f"'{kind}': a certificate is of gauge or weights.")
    if due < issued:
        raise click.BadParameter(f"'{kind} {number}': due date {due} is before its issue {issued}.")
    return CertificateRow(kind=kind, name=kind, number=number, issued_on=issued, due_on=due)


certificate_option = click.option(
    "--certificate",
    "certificates",
    nargs=4,
    multiple=True,
    metavar="KIND NUMBER ISSUED DUE",
    callback=read_by(lambda texts: tuple(map(certificate, texts))),
    help="A certificate of the gauge or the weights, as gauge K-118 2026-01-31 2027-01-31; kept, "
    "and a warning says when it is overdue.",
)


def certify(
    season: SeasonFile,
    certificates: tuple[CertificateRow, ...],
    gauge: str | None,
    gauge_serial: str | None,
) -> None:
    """Keep certificates that were stated, and show those that count."""
    from gauge.season.checks import overdue

    for row in certificates:
        name = row.name if row.kind == "weights" else gauge_serial or gauge
        if name is None:
            raise click.UsageError(
                "the certificate of a gauge needs --gauge or --serial-number to know it by."
            )
        season.add_certificate(replace(row, name=name))
    rows = season.certificates(gauge, gauge_serial)
    for line in (*(f"On record: {row.words()}." for row in rows), *overdue(rows)):
        say(line)
