"""The order of listening: which settings and requests are tried, and when enough was received.

The port is handed in as a function, so that this runs on anything that makes bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from gauge.errors import NothingReceivedError, NotSureError
from gauge.learn.choice import PRESSES_LEAST
from gauge.learn.inference import (
    Learned,
    common_form,
    count_presses,
    has_whole_lines,
    infer,
    is_one_line,
)
from gauge.learn.received import NeedMoreError, NoCommonFormError, NoUnitError, Received
from gauge.port.polling import ASK_EVERY_S
from gauge.protocol.capture import escape
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import SerialSettings
from gauge.units import Unit

# baud
SPEEDS = (9600, 19200, 38400, 57600, 115200, 4800, 2400, 1200)
# Data bits and parity. Parity is found from bit 7 at 8N1; the others are for ports that do not hand
# over bytes of wrong parity.
FRAMINGS = ((8, "N"), (7, "E"), (7, "O"), (8, "E"), (8, "O"))
# s; time to listen at a setting, longer where few bytes come, for an answer
PROBE_S, PROBE_MOST_S, ANSWER_S = 1.5, 4.0, 0.4
NO_SQUEEZE_S = 6.0  # s; then a message says that no squeeze was seen yet
ONE_SQUEEZE_S = 8.0  # s; who has squeezed once by then will hardly squeeze again
_ENDS = (b"\n", b"\r", b"\r\n")


def requests(given: Sequence[bytes]) -> list[bytes]:
    """List what is sent to a silent gauge: the user's requests, then those of the open standards.

    ``READ?`` is of SCPI, ``W`` of SMA SCP-0499 (from restatements). A text that does not say its
    own end is tried with LF, CR and CRLF.
    """
    out: list[bytes] = []
    for text in (*given, b"READ?", b"\nW\r", b"W"):
        out += [text] if text[-1:] in b"\r\n\x03" else [text + end for end in _ENDS]
    return list(dict.fromkeys(out))


class Sweep:
    """Goes through the settings until one format is certain.

    `receive` is called with (settings, seconds, request=bytes or None, sent every `ASK_EVERY_S`,
    enough=) and receives until ``enough(received)`` says so or the seconds are over. The setting
    that fits is listened to for `seconds`; each other one takes `PROBE_S` or so. A line such as TCP
    has no speed (`takes_speed`); `asks` returns the requests that may be sent, none without
    consent; `report` takes a line for the user. All that was received is in `received`, in order.
    """

    def __init__(
        self,
        receive: Callable[..., Received],
        *,
        seconds: float,
        takes_speed: bool = True,
        unit: Unit | None = None,
        asks: Callable[[], Sequence[bytes]] = lambda: (),
        report: Callable[[str], None] = lambda text: None,
    ) -> None:
        self._receive, self._seconds, self._takes_speed = receive, seconds, takes_speed
        self._unit, self._asks, self._report = unit, asks, report
        self._speeds: Sequence[int | None] = SPEEDS if takes_speed else (None,)
        self._last_size = self._n_squeezes = 0
        self.received: list[Received] = []

    def run(self) -> Learned:
        """Listen, and find the format."""
        first = self._probe(SerialSettings(baudrate=self._speeds[0]))
        if first.data:
            return self._streaming(first)
        return self._polled(self._asks()) or self._button()

    # --- the three kinds of gauges ------------------------------------------------------------

    def _streaming(self, first: Received) -> Learned:
        """Find the setting of a gauge that sends by itself."""
        refused: dict[tuple[str, ...], NotSureError] = {}
        refusal: NotSureError | None = None
        probed: Received | None = first
        for bytesize, parity in FRAMINGS:
            for speed in self._speeds:
                settings = SerialSettings(baudrate=speed, bytesize=bytesize, parity=parity)
                probe, probed = probed or self._probe(settings), None
                form = common_form(probe)
                if form is None:
                    # A gauge with a key sends a line now and then: one that can be read is a
                    # reason to stay and ask for more.
                    if not has_whole_lines(probe):
                        continue
                    form = ()
                if form in refused:
                    raise refused[form]  # it reads alike at two settings: another will not help
                try:
                    return self._settle(settings, rare=form == ())
                except NoCommonFormError as error:
                    refusal = refusal or error
                except NotSureError as error:
                    refusal = refused[form] = error
            if refusal is not None or not self._takes_speed:
                break
        raise refusal or NotSureError(
            "bytes were received, but at no setting do all lines share one form.",
            todo="Check the cable and that the gauge sends readings as text.",
        )

    def _polled(self, asks: Sequence[bytes]) -> Learned | None:
        """Find the setting and the request of a gauge that answers; None if it does not."""
        for speed in self._speeds:
            settings, refusal = SerialSettings(baudrate=speed), None
            for request in asks:
                answer = self._listen(settings, ANSWER_S, request, lambda r: len(r.data) > 3)
                if not answer.data or common_form(self._probe(settings, request)) is None:
                    continue
                self._report(f"The gauge answers the request {escape(request)}.")
                try:
                    return self._settle(settings, request)
                except NoCommonFormError:
                    continue
                except NotSureError as error:
                    refusal = refusal or error
            if refusal is not None:
                raise refusal
        return None

    def _button(self) -> Learned:
        """Find the setting of a gauge that sends when a key is pressed."""
        self._report(
            "Nothing was received. If the gauge sends when a key is pressed: squeeze, press it,"
        )
        self._report("and do so at least three times, with different forces.")
        refusal: NotSureError | None = None
        for speed in self._speeds:
            settings = SerialSettings(baudrate=speed)
            received = self._listen(settings, self._seconds, None, self._button_is_enough)
            if not received.data:
                break
            try:
                return self._infer(replace(received, silent_first=True))
            except NoCommonFormError:
                if not is_one_line(received):
                    continue
                refusal = NeedMoreError(
                    f"at {settings} a line was received, but {PRESSES_LEAST} are needed.",
                    todo="Learn again, and squeeze and press the key at least three times.",
                )
            except NotSureError as error:
                refusal = error
            break
        raise refusal or NothingReceivedError(
            "nothing that can be read was received.",
            todo="Check cable and power, switch the gauge's output on, press its send key, or "
            "give what asks it for a reading with --request.",
        )

    def _settle(
        self, settings: SerialSettings, request: bytes | None = None, *, rare: bool = False
    ) -> Learned:
        """Listen at the setting that fits, and judge."""
        if rare:
            self._report(
                f"{settings}: a line came. Squeeze the head and press its key, {PRESSES_LEAST} "
                "times or more, with different forces."
            )
        else:
            self._report(f"{settings}: lines come. Squeeze the head slowly, twice, and let it go.")
        learned = self._infer(self._listen(settings, self._seconds, request, self._is_enough))
        if learned.fmt.mode != "button" and self._takes_speed and self._takes_any_speed(learned):
            any_speed = replace(learned.fmt.settings, baudrate=None)
            return replace(learned, fmt=replace(learned.fmt, settings=any_speed))
        return learned

    def _takes_any_speed(self, learned: Learned) -> bool:
        """Return whether the gauge reads alike at another speed: then its port takes any."""
        other = next(speed for speed in SPEEDS if speed != learned.fmt.settings.baudrate)
        tried = next((r for r in self.received if r.settings.baudrate == other and r.data), None)
        if tried is None:
            settings = replace(learned.fmt.settings, baudrate=other)
            tried = self._probe(settings, learned.fmt.request)
        framer = Framer(learned.fmt)
        for chunk in tried.chunks:
            framer.feed(chunk.t_ns, chunk.data)
        counts = framer.counts
        return counts.readings >= 2 and counts.readings >= 0.8 * counts.lines

    # --- listening ----------------------------------------------------------------------------

    def _infer(self, received: Received) -> Learned:
        """Judge what was received; refuse a gauge that sends on after one request."""
        learned = infer(received, unit=self._unit)
        if received.request:
            span_s = (received.chunks[-1].t_ns - received.chunks[0].t_ns) / 1e9
            if learned.n_lines > 3 + 1.5 * span_s / ASK_EVERY_S:
                raise NotSureError(
                    f"after the request {escape(received.request)} the gauge sends on by itself.",
                    todo="Leave it sending, and learn again: it will be read as it is.",
                )
        return learned

    def _is_enough(self, received: Received) -> bool:
        """Return whether one format is certain and the head was squeezed."""
        try:
            learned = self._infer(received)
        except NoUnitError:
            return True  # more lines say no more
        except NotSureError:
            self._say_squeezes(received, 0)
            return False
        if learned.fmt.mode == "button":
            return True
        framer = Framer(learned.fmt)
        readings = [r for chunk in received.chunks for r in framer.feed(chunk.t_ns, chunk.data)]
        n = count_presses(readings)
        self._say_squeezes(received, n)
        at_rest = readings[-1].force_newton < max(r.force_newton for r in readings) / 10
        return at_rest and (n >= 2 or (n == 1 and readings[-1].t_s > ONE_SQUEEZE_S))

    def _say_squeezes(self, received: Received, n: int) -> None:
        """Say how many squeezes were seen; that none was, once a person could have squeezed."""
        waited_s = (received.chunks[-1].t_ns - received.chunks[0].t_ns) / 1e9
        if n > self._n_squeezes or (n == self._n_squeezes == 0 and waited_s > NO_SQUEEZE_S):
            self._report(
                f"{n} squeeze{'' if n == 1 else 's'} seen." if n else "No squeeze seen yet."
            )
            self._n_squeezes = n or -1

    def _button_is_enough(self, received: Received) -> bool:
        """Return whether the format is found, or a whole burst was received that is no line."""
        over = len(received.data) == self._last_size
        self._last_size = len(received.data)
        return (over and not is_one_line(received)) or self._is_enough(received)

    def _probe(self, settings: SerialSettings, request: bytes | None = None) -> Received:
        """Listen until the lines share a form; longer where only a few bytes come."""

        def shares(least: int) -> Callable[[Received], bool]:
            return lambda received: common_form(received, least) is not None

        received = self._listen(settings, PROBE_S, request, shares(6))
        if received.data and not shares(3)(received) and len(received.data) < 200:
            received = self._listen(settings, PROBE_MOST_S, request, shares(4))
        return received

    def _listen(
        self,
        settings: SerialSettings,
        seconds: float,
        request: bytes | None,
        enough: Callable[[Received], bool],
    ) -> Received:
        """Receive at one setting, and keep what came, also when stopped."""
        so_far: list[Received] = []

        def judge(received: Received) -> bool:
            so_far[:] = [received]
            return enough(received)

        try:
            so_far[:] = [self._receive(settings, seconds, request=request, enough=judge)]
        finally:  # also on Ctrl-C, or where the port went away
            self.received += so_far
        return so_far[0]
