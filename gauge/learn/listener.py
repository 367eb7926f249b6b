"""Receiving from one port at one setting after another."""

from __future__ import annotations

import time
from collections.abc import Callable

from gauge.errors import PortError
from gauge.learn.received import Received
from gauge.port.portreader import PortReader
from gauge.protocol.lineformat import SerialSettings
from gauge.records import Chunk, LineLost

_SILENT_NS = 300_000_000  # ns; after silence as long as this, the first byte begins a line


class PortListener:
    """Listens to the port; it stays open as long as the settings and the request stay."""

    def __init__(self, port: str) -> None:
        self._port = port
        self._reader: PortReader | None = None
        self._open_for: tuple[SerialSettings, bytes | None] | None = None

    def close(self) -> None:
        """Close the port."""
        if self._reader is not None:
            self._reader.stop()
        self._reader = self._open_for = None

    def __call__(
        self,
        settings: SerialSettings,
        seconds: float,
        *,
        request: bytes | None,
        enough: Callable[[Received], bool],
    ) -> Received:
        """Receive, as `gauge.learn.sweep.Sweep` wants it."""
        if self._reader is None or self._open_for != (settings, request):
            self.close()
            reader = PortReader(self._port, settings, request=request)
            reader.start()
            self._reader, self._open_for = reader, (settings, request)
        reader = self._reader
        begin_ns, judged_s = reader.now_ns, 0.0
        until_s = time.monotonic() + seconds
        chunks: list[Chunk] = []

        def so_far() -> Received:
            silent = bool(request) or (bool(chunks) and chunks[0].t_ns > _SILENT_NS)
            return Received(
                settings=settings, chunks=tuple(chunks), request=request, silent_first=silent
            )

        while (left_s := until_s - time.monotonic()) > 0:
            for item in reader.get(min(left_s, 0.1)):
                if isinstance(item, LineLost):
                    raise PortError(
                        f"{self._port} went away while it was listened to ({item.reason}).",
                        todo="Plug the gauge in and try again.",
                    )
                if isinstance(item, Chunk) and item.data:
                    chunks.append(Chunk(max(0, item.t_ns - begin_ns), item.data))
            # Judging costs more the more was received; a few times a second is enough.
            if chunks and time.monotonic() - judged_s > 0.25:
                if enough(so_far()):
                    break
                judged_s = time.monotonic()
        return so_far()
