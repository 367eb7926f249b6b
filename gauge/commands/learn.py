"""`gauge learn`: listen to a gauge and write its line format."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from gauge.clikit import emit_json, say

if TYPE_CHECKING:
    from gauge.learn import Heard, Learned
    from gauge.lineformat import LineSettings
    from gauge.port import LineReader

_SILENT_NS = 300_000_000  # nothing for so long: the first byte begins a line


@click.command("learn")
@click.option("--port", required=True, help="Serial port, or a URL such as socket://host:4001.")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FORMAT.toml",
    help="Line format to write. What was heard is kept beside it, in FORMAT.heard.txt.",
)
@click.option("--yes", is_flag=True, help="Do not ask; requests may be sent to a silent gauge.")
@click.option(
    "--request",
    "texts",
    multiple=True,
    metavar="TEXT",
    help=r"Also try this request on a silent gauge; \r, \n and \xNN are understood.",
)
@click.option("--unit", "unit_name", metavar="U", help="Unit on the display, if lines have none.")
@click.option(
    "--seconds",
    type=click.FloatRange(1, 3600),
    default=20.0,
    show_default=True,
    help="Longest time to listen at the setting that fits; trying a setting takes about 2 s.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
def command(
    port: str,
    out: Path,
    yes: bool,
    texts: tuple[str, ...],
    unit_name: str | None,
    seconds: float,
    as_json: bool,
) -> None:
    r"""Listen to a gauge and write its line format.

    Plug the gauge in, let it send, and squeeze its head slowly, twice, when asked.

    \b
    gauge learn --port /dev/ttyUSB0 --out bench.toml
    gauge learn --port COM3 --out bench.toml --unit N --request "D\r"

    When more than one format is possible, it says what would tell them apart and writes none.
    """
    from gauge.capture import unescape
    from gauge.formatfile import dump_format
    from gauge.learnsweep import Sweep, requests
    from gauge.outfile import write_whole
    from gauge.units import parse_unit

    unit = parse_unit(unit_name) if unit_name else None
    given = [unescape(text) for text in texts]

    def asks() -> Sequence[bytes]:
        question = "Nothing was heard. Send requests (READ?, W) to the gauge?"
        return requests(given) if yes or click.confirm(question, err=True) else ()

    ears = _Ears(port)
    sweep = Sweep(
        ears,
        seconds=seconds,
        takes_speed=not port.startswith("socket://"),
        unit=unit,
        name=out.stem,
        asks=asks,
        tell=say,
    )
    try:
        learned = sweep.run()
    finally:
        ears.close()
        write_whole(out.with_name(f"{out.stem}.heard.txt"), _capture(sweep.heard))
    _describe(learned)
    if not yes:
        _confirm(learned)
    write_whole(out, [dump_format(learned.fmt)])
    say(f"{out}: written.")
    if as_json:
        emit_json(_document(learned, out))


class _Ears:
    """Listens to the port; it stays open as long as the settings and the request stay."""

    def __init__(self, port: str) -> None:
        self._port = port
        self._reader: LineReader | None = None
        self._open_for: tuple[LineSettings, bytes | None] | None = None

    def close(self) -> None:
        """Close the port."""
        if self._reader is not None:
            self._reader.stop()
        self._reader = self._open_for = None

    def __call__(
        self,
        settings: LineSettings,
        seconds: float,
        *,
        request: bytes | None,
        every_s: float | None,
        enough: Callable[[Heard], bool],
    ) -> Heard:
        """Listen, as `gauge.learnsweep.Hear` says."""
        from gauge.errors import PortError
        from gauge.learn import Heard
        from gauge.port import LineDown, LineReader
        from gauge.records import Chunk

        if self._reader is None or self._open_for != (settings, request):
            self.close()
            reader = LineReader(self._port, settings, request=request, every_s=every_s)
            reader.start()
            self._reader, self._open_for = reader, (settings, request)
        reader = self._reader
        begin_ns, judged_s = reader.now_ns, 0.0
        until_s = time.monotonic() + seconds
        chunks: list[Chunk] = []

        def so_far() -> Heard:
            silent = bool(request) or (bool(chunks) and chunks[0].t_ns > _SILENT_NS)
            return Heard(
                settings=settings, chunks=tuple(chunks), request=request, silent_first=silent
            )

        while (left_s := until_s - time.monotonic()) > 0:
            for item in reader.get(min(left_s, 0.1)):
                if isinstance(item, LineDown):
                    raise PortError(
                        f"{self._port} went away while we listened ({item.reason}).",
                        todo="Plug the gauge in and try again.",
                    )
                if isinstance(item, Chunk) and item.data:
                    chunks.append(Chunk(max(0, item.t_ns - begin_ns), item.data))
            # Judging costs more the more was heard; a few times a second is enough.
            if chunks and time.monotonic() - judged_s > 0.25:
                if enough(so_far()):
                    break
                judged_s = time.monotonic()
        return so_far()


def _capture(heard: Sequence[Heard]) -> Iterator[str]:
    """What was heard as capture text, each setting after the other."""
    from gauge.capture import write_capture
    from gauge.records import Chunk

    since_ns = 0
    for one in heard:
        asked = f", asked {one.request!r}" if one.request else ""
        yield f"# {one.settings}{asked}{'' if one.chunks else ': silent'}\n"
        moved = [Chunk(since_ns + c.t_ns, c.data) for c in one.chunks]
        yield from (f"{line}\n" for line in write_capture(moved))
        since_ns = moved[-1].t_ns + 1 if moved else since_ns


def _describe(learned: Learned) -> None:
    from gauge.capture import escape

    fmt = learned.fmt
    say(f"Heard {learned.n_lines} lines at {fmt.settings}, mode {fmt.mode}.")
    line = escape(learned.largest_line.encode("latin-1"))
    say(f"Line with the largest force:  {line}")
    say(f"which is read as:             {learned.largest_shown} {learned.largest_unit}")
    for note in learned.notes:
        say(f"Note: {note}.")


def _confirm(learned: Learned) -> None:
    from gauge.errors import NotSureError

    shown = f"{learned.largest_shown} {learned.largest_unit}"
    if not click.confirm(f"Did the display show {shown} at the hardest squeeze?", err=True):
        raise NotSureError(
            f"the display did not show {shown}; no format was written.",
            todo="Learn again; if the unit is wrong, say it with --unit.",
        )


def _document(learned: Learned, out: Path) -> dict[str, object]:
    fmt = learned.fmt
    return {
        "format": str(out),
        "baudrate": fmt.baudrate,
        "framing": f"{fmt.bytesize}{fmt.parity}{fmt.stopbits:g}",
        "mode": fmt.mode,
        "request": None if fmt.request is None else fmt.request.decode("latin-1"),
        "pattern": fmt.pattern,
        "unit": str(fmt.unit or learned.largest_unit),
        "lines": learned.n_lines,
        "largest": float(learned.largest_shown),
        "largest_line": learned.largest_line,
        "notes": list(learned.notes),
    }
