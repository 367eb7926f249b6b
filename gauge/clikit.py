"""What the two command lines share: a lazy group, options, keys, exit codes.

A command's module is imported only when that command runs, so that `--help` costs no more than
click itself; for the same reason some functions here import what they need.
"""

from __future__ import annotations

import errno
import functools
import importlib
import io
import math
import os
import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import Field, field, fields
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import click

from gauge.errors import CannotWriteError, FirmhandError
from gauge.printed import say

F = TypeVar("F", bound=Callable[..., Any])

CONTEXT = {"help_option_names": ["-h", "--help"], "show_default": True}
FILE = click.Path(path_type=Path)
season_argument = click.argument("season", type=FILE)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")


class FiniteRange(click.FloatRange):
    """A range of numbers without nan, which is in every range, and without infinity."""

    name = "number"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read a number within the range; a comma may part thousands or decimals, so it is none."""
        if re.fullmatch(r"-?\d+,\d+", str(value)):
            self.fail(f"'{value}': type a point, {str(value).replace(',', '.')}.", param, ctx)
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is no number of this kind.", param, ctx)
        return number


class _Count(click.IntRange):
    """A range of whole numbers."""

    name = "integer"


class _Day(click.DateTime):
    """A day as 2026-07-31 or 31.7.2026."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read a day; the error shows how to write it."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"'{value}' is no day such as 2026-07-31.", param, ctx)


DAY = _Day(["%Y-%m-%d", "%d.%m.%Y"])


def begun(day: date) -> bool:
    """Return whether a day has begun somewhere on Earth."""
    return day <= (datetime.now(UTC) + timedelta(hours=14)).date()


def past_day(typed: datetime) -> str:
    """Return the day of what was done, as in ISO 8601; refuse one to come."""
    day = typed.date()
    if not begun(day):
        raise click.BadParameter(f"{day} is still to come.")
    return day.isoformat()


def read_by(read: Callable[[Any], Any]) -> Callable[..., Any]:
    """Make the callback of an option that passes what was typed, if anything, through `read`.

    Errors of the program pass as they are, which a click type would turn into its own.
    """
    return lambda _context, _option, typed: None if typed is None else read(typed)


class _OneFile(click.Option):
    """An option that names one file: a second is refused, which would hide the first silently."""

    def add_to_parser(self, parser: Any, ctx: click.Context) -> None:
        """Have all files kept that are named."""
        parser.add_option(obj=self, opts=self.opts, dest=self.name, action="append")

    def type_cast_value(self, ctx: click.Context, value: Any) -> Any:
        """Return the one file that was named."""
        if isinstance(value, list):
            if len(value) > 1:
                raise click.BadParameter(f"name one file, not {len(value)}.", ctx, self)
            [value] = value
        return super().type_cast_value(ctx, value)


def _number(whole: bool, above: float | None, low: float | None, high: float | None) -> Any:
    least = low if above is None else above
    if least is None and high is None:
        return click.INT if whole else click.FLOAT
    kind: Any = _Count if whole else FiniteRange
    return kind(least, high, min_open=above is not None)


def option(text: str, *flags: str, **how: Any) -> Any:
    """Declare a field of a dataclass as an option of the command that takes it as its record.

    The field's name gives the flag, unless `flags` are given, and its type what may be typed: a
    ``bool`` is a flag, a ``tuple[..., ...]`` may be repeated, a ``Path`` is a file. `text` is the
    help; `how` are bounds `above` (not allowed itself), `low` and `high`, a function `read` that
    what was typed passes through, `once` for a file of which a second is refused, or as of
    `click.option`.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass(frozen=True, kw_only=True)
    ... class Asked:
    ...     sheets: Path = argument()
    ...     noise_newton: float = option("Noise in N.", "--noise-n", low=0, default=0.01)
    >>> @click.command()
    ... def show(**values: Any) -> float:
    ...     return Asked(**values).noise_newton
    >>> show.params += parameters(Asked)
    >>> show.main(["sheets.csv", "--noise-n", "0.02"], standalone_mode=False)
    0.02
    """
    return field(metadata={"flags": flags, "help": text, **how})


def argument(**how: Any) -> Any:
    """Declare a field of a dataclass as an argument of a command; `how` as of `click.argument`."""
    return field(metadata={"flags": None, **how})


def parameters(record: type) -> list[click.Parameter]:
    """Make the parameters that a record's fields declare: its own, then what it shares."""
    declared = {one.name: one for one in fields(record) if one.metadata}
    own, *shared = (vars(kind).get("__annotations__", {}) for kind in record.__mro__)
    names = dict.fromkeys([*own, *(name for kind in reversed(shared) for name in kind)])
    return [_parameter(declared[name]) for name in names if name in declared]


def receives(record: type) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Let a command receive a record first, made of the parameters that its fields declare."""

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(function)
        def with_record(**values: Any) -> Any:
            names = [one.name for one in fields(record) if one.name in values]
            return function(record(**{name: values.pop(name) for name in names}), **values)

        known = getattr(function, "__click_params__", [])
        with_record.__click_params__ = [*known, *reversed(parameters(record))]  # type: ignore[attr-defined]
        return with_record

    return decorate


def _parameter(one: Field[Any]) -> click.Parameter:
    how, type_ = dict(one.metadata), str(one.type)
    several = re.fullmatch(r"tuple\[(\w+), \.\.\.\]", type_)
    kind = several[1] if several else type_.removesuffix(" | None")
    bounds = [how.pop(name, None) for name in ("above", "low", "high")]
    if read := how.pop("read", None):
        how["callback"] = read_by(read)
    if kind in {"int", "float"}:
        how.setdefault("type", _number(kind == "int", *bounds))
    elif kind == "Path":
        how.setdefault("type", FILE)
    elif kind == "bool":
        how["is_flag"] = True
    flags = how.pop("flags")
    if flags is None:
        return click.Argument([one.name], **how)
    flags = flags or ("--" + one.name.replace("_", "-"),)
    if how.pop("once", False) and not several:
        return _OneFile([*flags, one.name], **how)
    return click.Option([*flags, one.name], multiple=how.pop("multiple", bool(several)), **how)


class LazyGroup(click.Group):
    """A click group whose commands are imported when they are first needed.

    `lazy` has, by the name of a command, the module that holds it as `command` and its help in
    the list; `renamed` old names, which are not listed and are kept for one version.
    """

    def __init__(
        self, *args: Any, lazy: Mapping[str, tuple[str, str]],
        renamed: Mapping[str, str] | None = None, **kwargs: Any,
    ) -> None:  # fmt: skip
        super().__init__(*args, **kwargs)
        self.lazy, self.renamed = dict(lazy), dict(renamed or {})

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the table, which is the order of a working day."""
        return list(self.lazy)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return the command, or None for an unknown name."""
        if new_name := self.renamed.get(cmd_name):
            say(f"{ctx.info_name} {cmd_name} is now called {ctx.info_name} {new_name}.")
            cmd_name = new_name
        if cmd_name not in self.lazy:
            return None
        module = importlib.import_module(self.lazy[cmd_name][0])
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that is typed; the refusal of another names the nearest."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            from difflib import get_close_matches

            near = get_close_matches(args[0], self.lazy, 1)
            hint = f" The nearest is '{near[0]}'." if near else ""
            raise click.UsageError(error.message + hint, ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table alone, importing none of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry[1]) for name, entry in self.lazy.items()])


class _Closed(io.TextIOBase):
    """Stands for a stdout that was closed: writing raises an error."""

    def write(self, text: str) -> int:
        """Refuse."""
        raise OSError(errno.EBADF, "stdout is closed")


def keys_of(typed: str) -> list[str]:
    r"""Part what arrived at once into keys: fast fingers send several, each of them a berry.

    An arrow or function key, too, is several characters (from ESC on, on Windows from NUL or 0xe0
    on); none of them is a berry.

    Examples
    --------
    >>> keys_of("12+"), keys_of("4\x1b[3~")
    (['1', '2', '+'], ['4', ''])
    """
    keys = re.findall(r"\x1b.*|[\x00\xe0].|.", typed, re.DOTALL)
    return [key if len(key) == 1 else "" for key in keys]


def typed_keys() -> list[str]:
    """Wait for keys at the terminal; refuse where there is none."""
    try:
        return keys_of(click.getchar())
    except OSError:
        raise click.UsageError(
            "a form takes keys, so it needs a terminal; without one, import a sheet."
        ) from None


def run(group: click.Group, prog_name: str) -> NoReturn:
    """Run a command line; turn our own errors into one line on stderr and an exit code."""
    if sys.stdout is None:
        sys.stdout = _Closed()
    elif isinstance(sys.stdout, io.TextIOWrapper):
        # A name that is not UTF-8 (on the command line, say) is printed as an escape.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        try:
            group.main(prog_name=prog_name, standalone_mode=True)
        finally:
            sys.stdout.flush()
    except FirmhandError as error:
        say(f"{prog_name}: {error}")
        sys.exit(error.exit_code)
    except BrokenPipeError:
        # The reader of our output went away (`| head`); keep Python's exit from complaining.
        _drop_stdout()
        sys.exit(1)
    except OSError as error:
        _drop_stdout()
        say(
            f"{prog_name}: what was to be printed was not ({error.strerror or error}). What was "
            "acknowledged is stored."
        )
        sys.exit(CannotWriteError.exit_code)
    sys.exit(0)


def _drop_stdout() -> None:
    """Keep Python's exit from writing what is left, and from complaining."""
    if not isinstance(sys.stdout, _Closed):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
