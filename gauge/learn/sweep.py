"""The order of listening: which settings and requests are tried, and when enough was heard.

The port is handed in as a function, so that this runs on anything that makes bytes. What is heard
is judged in learn.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Protocol

from gauge.errors import NothingReceivedError, NotSureError
from gauge.learn.inference import PRESSES_LEAST, Learned, infer
from gauge.learn.learnglance import fits, one_line_fits, presses
from gauge.learn.learnnumber import NeedMoreError
from gauge.learn.received import Received
from gauge.learn.skeleton import NoCommonFormError
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import SerialSettings
from gauge.units import Unit

SPEEDS = (9600, 19200, 38400, 57600, 115200, 4800, 2400, 1200)
# Parity is told from bit 7 at 8N1. These are for ports that do not hand over bytes of wrong parity.
FRAMINGS = ((8, "N"), (7, "E"), (7, "O"), (8, "E"), (8, "O"))
PROBE_S, PROBE_MOST_S, ANSWER_S, POLL_S = 1.5, 4.0, 0.4, 0.1
ONE_SQUEEZE_S = 8.0  # who has squeezed once by then will hardly squeeze again
_ENDS = (b"\n", b"\r", b"\r\n")


class Hear(Protocol):
    """Listens at one setting until `enough` says so, or for so many seconds."""

    def __call__(
        self,
        settings: SerialSettings,
        seconds: float,
        *,
        request: bytes | None,
        every_s: float | None,
        enough: Callable[[Received], bool],
    ) -> Received:
        """Listen."""


def requests(given: Sequence[bytes]) -> list[bytes]:
    r"""What is sent to a silent gauge: the user's requests, then those of the open standards.

    ``READ?`` is of SCPI, ``W`` of SMA SCP-0499 (from restatements). A text that does not say its
    own end is tried with LF, CR and CRLF.

    Examples
    --------
    >>> requests([b"D"])[:3]
    [b'D\n', b'D\r', b'D\r\n']
    """
    out: list[bytes] = []
    for text in (*given, b"READ?", b"\nW\r", b"W"):
        out += [text] if text[-1:] in b"\r\n\x03" else [text + end for end in _ENDS]
    return list(dict.fromkeys(out))


class Sweep:
    """Goes through the settings until one format is certain.

    Parameters
    ----------
    hear : Hear
    seconds : float
        How long to listen at the setting that fits; each other one takes `PROBE_S` or so.
    takes_speed : bool
        False for a line that has no speed (TCP).
    unit : Unit, optional
        As the user says.
    name : str
        Of the format.
    asks : sequence of bytes
        Requests that may be sent; empty without consent.
    tell : callable
        Takes a line for the user.
    """

    def __init__(
        self,
        hear: Hear,
        *,
        seconds: float,
        takes_speed: bool = True,
        unit: Unit | None = None,
        name: str = "learned",
        asks: Callable[[], Sequence[bytes]] = lambda: (),
        tell: Callable[[str], None] = lambda text: None,
    ) -> None:
        self._hear, self._seconds, self._takes_speed = hear, seconds, takes_speed
        self._unit, self._name, self._asks, self._tell = unit, name, asks, tell
        self._last_size = 0
        self.received: list[Received] = []
        """All that was received, in order."""

    def run(self) -> Learned:
        """Listen, and find the format.

        Raises
        ------
        NothingReceivedError
            The line stayed silent.
        NotSureError
            What was heard does not settle one format.
        """
        speeds: Sequence[int | None] = SPEEDS if self._takes_speed else (None,)
        first = self._probe(SerialSettings(baudrate=speeds[0]))
        if first.data:
            return self._streaming(speeds, first)
        asks = self._asks()
        if asks and (found := self._polled(speeds, asks)):
            return found
        return self._button(speeds)

    # --- the three kinds of gauges ------------------------------------------------------------

    def _streaming(self, speeds: Sequence[int | None], first: Received) -> Learned:
        refusal: NotSureError | None = None
        seen: Received | None = first
        for bytesize, parity in FRAMINGS:
            for speed in speeds:
                settings = SerialSettings(baudrate=speed, bytesize=bytesize, parity=parity)
                probe, seen = seen or self._probe(settings), None
                if not fits(probe):
                    continue
                if refusal is not None and not isinstance(refusal, NoCommonFormError):
                    raise refusal  # it reads alike at two settings, so that another will not help
                try:
                    return self._settle(settings)
                except NotSureError as error:
                    refusal = error
            if refusal is not None or not self._takes_speed:
                break
        raise refusal or NotSureError(
            "bytes were heard, but at no setting do all lines share one form.",
            todo="Check the cable and that the gauge sends readings as text.",
        )

    def _settle(self, settings: SerialSettings, request: bytes | None = None) -> Learned:
        """Listen at the setting that fits, and judge."""
        self._tell(f"{settings}: lines heard. Squeeze the head slowly, twice, and let it go.")
        heard = self._listen(settings, self._seconds, request, self._is_enough)
        learned = self._infer(heard)
        if learned.fmt.mode != "button" and self._takes_speed and self._any_speed(learned):
            return replace(learned, fmt=replace(learned.fmt, baudrate=None))
        return learned

    def _any_speed(self, learned: Learned) -> bool:
        """Whether the gauge reads alike at another speed: then its port takes any."""
        speed = learned.fmt.baudrate
        other = next(s for s in SPEEDS if s != speed)
        tried = next((h for h in self.received if h.settings.baudrate == other and h.data), None)
        if tried is None:
            tried = self._probe(
                replace(learned.fmt.settings, baudrate=other), request=learned.fmt.request
            )
        framer = Framer(learned.fmt)
        for chunk in tried.chunks:
            framer.feed(chunk.t_ns, chunk.data)
        counts = framer.counts
        return counts.readings >= 2 and counts.readings >= 0.8 * counts.lines

    def _polled(self, speeds: Sequence[int | None], asks: Sequence[bytes]) -> Learned | None:
        refusal: NotSureError | None = None
        for speed in speeds:
            settings = SerialSettings(baudrate=speed)
            for request in asks:
                answer = self._listen(settings, ANSWER_S, request, lambda h: len(h.data) > 3)
                if not answer.data:
                    continue
                if not fits(self._probe(settings, request=request)):
                    continue
                self._tell(f"The gauge answers {request!r}.")
                try:
                    return self._settle(settings, request)
                except NoCommonFormError:
                    continue
                except NotSureError as error:
                    refusal = refusal or error
            if refusal is not None:
                raise refusal
        return None

    def _button(self, speeds: Sequence[int | None]) -> Learned:
        self._tell(
            "Nothing was heard. If the gauge sends when a key is pressed: squeeze, press it,"
        )
        self._tell("and do so at least three times, with different forces.")
        refusal: NotSureError | None = None
        for speed in speeds:
            settings = SerialSettings(baudrate=speed)
            heard = self._listen(settings, self._seconds, None, self._button_is_enough)
            heard = replace(heard, silent_first=True)
            if not heard.data:
                break
            try:
                return self._infer(heard)
            except NoCommonFormError:
                if not one_line_fits(heard):
                    continue
                refusal = NeedMoreError(
                    f"at {settings} a line was heard, but {PRESSES_LEAST} are needed.",
                    todo="Learn again, and squeeze and press the key at least three times.",
                )
            except NotSureError as error:
                refusal = error
            break
        raise refusal or NothingReceivedError(
            "nothing that can be read was heard.",
            todo="Check cable and power, switch the gauge's output on, press its send key, or "
            "give what asks it for a reading with --request.",
        )

    # --- listening ----------------------------------------------------------------------------

    def _infer(self, heard: Received) -> Learned:
        learned = infer(heard, unit=self._unit, name=self._name)
        if heard.request:
            span_s = (heard.chunks[-1].t_ns - heard.chunks[0].t_ns) / 1e9
            if learned.n_lines > 3 + 1.5 * span_s / POLL_S:
                raise NotSureError(
                    f"after {heard.request!r} the gauge sends on by itself.",
                    todo="Leave it sending, and learn again: it will be heard as it is.",
                )
        return learned

    def _is_enough(self, heard: Received) -> bool:
        try:
            learned = self._infer(heard)
        except NotSureError:
            return False
        if learned.fmt.mode == "button":
            return True
        framer = Framer(learned.fmt)
        readings = [r for chunk in heard.chunks for r in framer.feed(chunk.t_ns, chunk.data)]
        n = presses(readings)
        at_rest = readings[-1].force_newton < max(r.force_newton for r in readings) / 10
        return at_rest and (n >= 2 or (n == 1 and readings[-1].t_s > ONE_SQUEEZE_S))

    def _button_is_enough(self, heard: Received) -> bool:
        """Whether the format is found, or a whole burst was heard that is no line of text."""
        over = len(heard.data) == self._last_size
        self._last_size = len(heard.data)
        return (over and not one_line_fits(heard)) or self._is_enough(heard)

    def _probe(self, settings: SerialSettings, request: bytes | None = None) -> Received:
        """Listen until it fits or does not; longer where only a few bytes come."""
        heard = self._listen(settings, PROBE_S, request, lambda h: fits(h, least=6))
        if heard.data and not fits(heard) and len(heard.data) < 200:
            heard = self._listen(settings, PROBE_MOST_S, request, lambda h: fits(h, least=4))
        return heard

    def _listen(
        self,
        settings: SerialSettings,
        seconds: float,
        request: bytes | None,
        enough: Callable[[Received], bool],
    ) -> Received:
        every_s = POLL_S if request else None
        so_far: list[Received] = []

        def judge(heard: Received) -> bool:
            so_far[:] = [heard]
            return enough(heard)

        try:
            heard = self._hear(settings, seconds, request=request, every_s=every_s, enough=judge)
        except BaseException:  # Ctrl-C, or the port went away: keep what was heard until then
            self.received += so_far
            raise
        self.received.append(heard)
        return heard
