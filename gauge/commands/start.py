"""`gauge start`: a first day in one conversation, from the port to the first berry."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.commands.goingon import home, on_terminal, remember
from gauge.commands.log import LogOptions, log_at
from gauge.commands.options import read_crop, removed_if_empty
from gauge.commands.statedsample import StatedSample
from gauge.errors import FirmhandError, VerificationFailedError
from gauge.printed import say
from gauge.verify.mass import Mass, parse_mass

if TYPE_CHECKING:
    from gauge.session.memory import Place

_GAUGE = ("gauge", "gauge_serial")


@click.command("start")
@click.pass_context
def command(context: click.Context) -> None:
    """Set up a first day, in one conversation.

    It asks for the port, listens to the gauge and learns what it sends, asks what the gauge is
    called, has check weights hung, begins the season with its plan, and logs. Enter takes what
    stands in brackets. The next day 'gauge log' alone goes on.

    \b
    gauge start
    """  # noqa: D301
    from gauge.session.memory import Place, load

    begin = f"{date.today().year}.season"
    last = load(home()) or Place(port="", format_name="", season=begin)
    say("This sets up a day at the gauge. Enter takes what stands in brackets; Ctrl-C stops.")
    place = _named(replace(last, port=_port(last), usb=None))
    place = replace(place, format_name=_learned(context, place))
    place = replace(place, season=_season(last.season if Path(last.season).exists() else begin))
    season = Path(place.season)
    with removed_if_empty(season):
        _planned(context, season)
        _pressed(season, place)
        _checked(context, place)
        place = _scored(place)
        stated = _stated(season)
        remember(place)
        say("Press a berry, wait for the bell, take the next; the keys stand on the screen.")
        on_screen = sys.stdout.isatty() and on_terminal()
        log_at(place, stated, LogOptions(on_screen=on_screen, new=True))


def _ask(words: str, known: str | None = None) -> str:
    """Ask for words; Enter is what is known, or nothing."""
    answer: str = click.prompt(words, default=known or "", show_default=bool(known), err=True)
    return answer.strip()


def _number(words: str, known: float | None) -> float | None:
    """Ask for a number above zero; Enter is what is known, or nothing."""
    while text := _ask(words, None if known is None else f"{known:g}"):
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = 0.0
        if 0 < value < float("inf"):
            return value
        say(f"'{text}' is not a number above zero.")
    return None


def _port(last: Place) -> str:
    """Ask for a port until one can be opened."""
    from gauge.port.portreader import PortReader
    from gauge.port.serialport import serial_ports
    from gauge.protocol.lineformat import SerialSettings
    from gauge.session.memory import found

    while True:
        ports = serial_ports()
        for number, info in enumerate(ports, 1):
            say(f"  {number}  {info.port}  {info.description}")
        if not ports:
            say("No serial port found. Plug the gauge in, then press Enter; or name its port.")
        usb = [info.port for info in ports if info.identity]
        known = found(last, ports)[0].port
        if not ("://" in known or known in {info.port for info in ports} or os.path.exists(known)):
            known = usb[0] if len(usb) == 1 else ""
        answer = _ask("Port of the gauge" + (" (number or name)" if ports else ""), known)
        if answer.isdigit() and 0 < int(answer) <= len(ports):
            answer = ports[int(answer) - 1].port
        if answer.isdigit() and ports:
            say(f"No port of this list has the number {answer}.")
        elif answer:
            try:
                with PortReader(answer, SerialSettings()):
                    return answer
            except FirmhandError as error:
                say(str(error))


def _named(place: Place) -> Place:
    """Ask what is known of the gauge, and who works at it."""
    return replace(
        place,
        gauge=_ask("Name of the gauge, as it is called here", place.gauge or "gauge 1"),
        gauge_serial=_ask("Its serial number", place.gauge_serial) or None,
        capacity_newton=_number("Its capacity in N", place.capacity_newton),
        head_mm=_number("Diameter of its head in mm", place.head_mm),
        operator=_ask("Who works at it today", place.operator) or None,
    )


def _scored(place: Place) -> Place:
    """Ask who scores by finger."""
    words = "Raters who score berries by finger, by commas (Enter: none)"
    names = _ask(words, ",".join(place.raters)).split(",")
    raters = tuple(filter(None, (name.strip() for name in names)))
    words = "Hide the force until they have scored?"
    blind = bool(raters) and click.confirm(words, default=True, err=True)
    return replace(place, raters=raters, blind=blind)


def _learned(context: click.Context, place: Place) -> str:
    """Return a line format: a known one where the tech takes it, or learned now."""
    from gauge.commands import learn

    stem = "".join(c if c.isalnum() or c in "-_" else "-" for c in (place.gauge or "").lower())
    out = Path(f"{stem}.toml")
    known = next(filter(learn.is_format, (place.format_name, str(out))), None)
    if known and click.confirm(f"Use the line format {known}?", default=True, err=True):
        return known
    while True:
        say(f"Now the gauge is listened to; what is learned is written to {out}.")
        try:
            context.invoke(learn.command, port=place.port, out=out, yes=False, texts=())
            return str(out)
        except FirmhandError as error:
            say(str(error))
            if not click.confirm("Listen again?", default=True, err=True):
                raise


def _season(known: str) -> str:
    """Ask for a season file until it can be opened, or begun."""
    from gauge.season.file import open_season

    while True:
        season = Path(_ask("Season file", known))
        try:
            if season.exists():
                open_season(season).close()
                return str(season)
        except FirmhandError as error:
            say(str(error))
            continue
        folder = season.absolute().parent
        if folder.is_dir() and os.access(folder, os.W_OK):
            return str(season)
        say(f"{folder} is no folder to write in. Make it, or name another.")


def _planned(context: click.Context, season: Path) -> None:
    """Begin the season, or find it, and import its plan."""
    from gauge.commands import plan
    from gauge.season.file import open_season

    if season.exists():
        with open_season(season, read_only=True) as file:
            if any(row.sample.plan_order for row in file.samples()):
                return
    else:
        crop = _crop()
        with open_season(season, create=True, crop=crop):
            say(f"{season} is begun.")
    while csv_file := _ask("CSV of the plan, one row a sample (Enter: no plan)"):
        try:
            context.invoke(plan.command, season=season, csv_file=Path(csv_file), order="random")
            break
        except FirmhandError as error:
            say(str(error))


def _crop() -> str | None:
    """Ask for the crop until it is a known one, or another one that is meant."""
    from gauge.season.scores import DEFAULT_SCALES, like_crop

    likely = "blackberry"
    while True:
        typed = _ask("Crop: blackberry or raspberry", likely)
        try:
            crop = read_crop(typed)
        except FirmhandError as error:
            say(str(error))
            likely = like_crop(typed) or likely
            continue
        if crop in DEFAULT_SCALES or click.confirm(f"Go on with {crop}?", err=True):
            return crop


def _pressed(season: Path, place: Place) -> None:
    """Ask once for the season how its berries are pressed; Enter leaves a part not stated."""
    from gauge.pressprotocol import PARTS, PressProtocol
    from gauge.season.file import open_season

    with open_season(season) as file:
        if file.setting("protocol") is not None:
            return
        stated = PressProtocol(head_mm=place.head_mm)
        say("How are berries pressed this season? It stands on the card and in the methods.")
        for name, part in PARTS.items():
            if name in stated.stated:
                continue
            words = f"{part.called.capitalize()}, {part.typed} (Enter: not stated)"
            while text := _ask(words):
                try:
                    stated = stated.with_typed([f"{name}={text}"])
                    break
                except FirmhandError as error:
                    say(str(error))
        file.set_protocol(stated)


def _checked(context: click.Context, place: Place) -> None:
    """Have check weights hung, if there are any."""
    from gauge.commands import verify

    masses: tuple[Mass, ...] = ()
    while not masses and (text := _ask("Check weights, such as 200g 500g (Enter: later)")):
        try:
            masses = tuple(map(parse_mass, text.replace(",", " ").split()))
        except FirmhandError as error:
            say(str(error))
    certificates = _certificates(Path(place.season), place) if masses else ()
    while masses:
        try:
            context.invoke(
                verify.command,
                port=place.port,
                format_name=place.format_name,
                season_file=Path(place.season),
                masses=masses,
                certificates=certificates,
                **{n: getattr(place, n) for n in ("capacity_newton", "operator", *_GAUGE)},
            )
            return
        except VerificationFailedError:
            raise
        except FirmhandError as error:
            say(str(error))
            if not click.confirm("Hang the weights again?", default=True, err=True):
                return


def _certificates(season: Path, place: Place) -> tuple[Any, ...]:
    """Ask for the certificates of gauge and weights that the season does not hold yet."""
    from gauge.commands.certificates import certificate
    from gauge.season.file import open_season

    with open_season(season, read_only=True) as file:
        known = {row.kind for row in file.certificates(place.gauge, place.gauge_serial)}
    found = []
    for kind in ("gauge", "weights"):
        words = f"Certificate of the {kind}, as K-118 2026-01-31 2027-01-31: number, issued, due"
        while kind not in known and (text := _ask(f"{words} (Enter: none)")):
            try:
                found.append(certificate((kind, *text.split())))
                break
            except click.UsageError as error:
                say(error.message)
    return tuple(found)


def _stated(season: Path) -> StatedSample:
    """Return the next sample of the plan, or ask for one."""
    from gauge.season.file import open_season
    from gauge.season.rows import match

    with open_season(season, read_only=True) as file:
        rows = file.samples()
        following = file.next_sample()
    if following:
        return StatedSample(None, {"crop": None})
    code = ""
    while not code:
        code = _ask("Code of the sample")
    known: dict[str, object] = {"crop": None}
    if match(rows, code) is None:
        berries = _number("How many berries (Enter: open)", None)
        known |= {"berries_planned": int(berries) if berries else None}
        known |= {"selection": _ask("Selection") or None}
    return StatedSample(code, known)
