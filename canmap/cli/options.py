"""What all commands that read captures share: their options, and the run that these ask for."""

from __future__ import annotations

import contextlib
import functools
import gc
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from canmap.base.dataclass import dataclass
from canmap.base.errors import ArgumentError, UsageError
from canmap.cli.captured_channels import channel_options

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from canmap.engine.intake import Intake
    from canmap.engine.run import StopRequest
    from canmap.mapping.model import Spec
    from canmap.results.inspection import Inspection
    from canmap.stream.sink import Sink
    from canmap.timing.pace import Pace


def seconds(text: str | float) -> float:
    """Return an argument that is a number of seconds."""
    try:
        return float(text)
    except ValueError:
        raise click.BadParameter(
            f"{text} is not a number; write seconds without a unit, such as 2.5"
        ) from None


CAPTURES = click.argument("captures", metavar="CAPTURE...", nargs=-1, required=True)
FROM = click.option(
    "--from",
    "from_s",
    metavar="S",
    type=seconds,
    help="Begin S seconds after the first frame.",
)
TO = click.option(
    "--to",
    "to_s",
    metavar="S",
    type=seconds,
    help="End S seconds after the first frame; a frame at exactly that time is excluded.",
)
OVERWRITE = click.option(
    "--overwrite",
    is_flag=True,
    help="Replace an existing file; an input is never replaced.",
)
_AS_OPTION = {"channels": "--channel BUS=CHANNEL", "descriptions": "--description BUS=FILE"}
_OWN_JSON = '{\n "schema": "canmap/inspection/'  # what an inspection as JSON begins with


def _json(what: str) -> Callable[..., Any]:
    text = f"Write the {what} as JSON; - is standard output."
    return click.option("--json", "json_path", metavar="FILE", help=text)


_SI = click.option("--si", is_flag=True, help="Show values in SI units; the JSON always has them.")
_SPEC = click.option("--spec", metavar="SPEC", required=True, help="The vehicle's mapping spec.")
_SESSION = (
    CAPTURES,
    _SPEC,
    click.option(
        "--channel",
        metavar="BUS=CHANNEL",
        multiple=True,
        help="Use this channel for a bus instead of the one in the spec; may be repeated.",
    ),
    click.option(
        "--description",
        metavar="BUS=FILE",
        multiple=True,
        help="Use this description of a bus instead of the one in the spec; may be repeated.",
    ),
    FROM,
    TO,
    OVERWRITE,
)


@dataclass(frozen=True, slots=True)
class Request:
    """A run that a command line asks for.

    Attributes:
        captures: Captures of one session; "-" is standard input.
        spec: Path of the mapping spec.
        channels: Bus to the channel to take it from.
        descriptions: Bus to the description to take.
        span_s: Part of the session to use, in s from its first frame.
        overwrite: Whether the JSON may replace a file that is no inspection, an export what exists.
        json_path: Where the inspection goes as JSON, None for nowhere, "-" for standard output.
        si: Whether screens show values in SI units, not in those of the manual.
    """

    captures: tuple[str, ...]
    spec: str
    channels: Mapping[str, str]
    descriptions: Mapping[str, str]
    span_s: tuple[float, float]
    overwrite: bool
    json_path: str | None = None
    si: bool = False

    def inspect(
        self,
        sinks: Callable[[Intake, Spec], Sequence[Sink]],
        records: Sequence[str] | None = None,
        pace: Pace | None = None,
        stop: StopRequest | None = None,
    ) -> Inspection:
        """Carry out the run, write its JSON, and return what it found.

        Args:
            sinks: Makes, for the intake and the spec, the sinks of the run, when all of both is in order.
            records: The records that these get; all by default.
            pace: As in `canmap.engine.run.steps_of`.
            stop: As in `canmap.engine.run.steps_of`.

        Raises:
            UsageError: `records` names one that the spec does not make.
        """
        with self.opened() as (intake, spec), contextlib.ExitStack() as stack:
            import json

            from canmap.api.inspect import inspect_intake
            from canmap.outputs.files import whole_text_file
            from canmap.stream.delivery import Delivery

            self._guard((*spec.files, *self.descriptions.values()))
            file = None if self.json_path is None else stack.enter_context(whole_text_file(self.json_path))
            delivery = Delivery(tuple(sinks(intake, spec)), None if records is None else frozenset(records))
            result = inspect_intake(intake, spec, delivery=delivery, pace=pace, stop=stop)
            if file is not None:
                json.dump(result.to_json(), file, indent=1, allow_nan=False)
                file.write("\n")
        return result

    def require_spec(self) -> None:
        """Check that a spec is named.

        Raises:
            MissingParameter: It is not.
        """
        if not self.spec:
            raise click.MissingParameter(param_hint="'--spec'", param_type="option")

    @contextlib.contextmanager
    def opened(self) -> Iterator[tuple[Intake, Spec]]:
        """Give the captures, which are read ahead, and the spec; closes the captures at the end."""
        # Reading begins before the heavy imports: parsing on its threads hides them.
        from canmap.engine.intake import Intake
        from canmap.frames.readers import open_captures
        from canmap.frames.window import Window

        intake = Intake(open_captures(self.captures), Window(*self.span_s))
        try:
            from canmap.mapping.loader import load_spec

            try:
                spec = load_spec(self.spec, channels=self.channels, descriptions=self.descriptions)
            except ArgumentError as error:  # `channels` is --channel
                raise UsageError(f"{_AS_OPTION[error.argument]}: {error.reason}") from None
            # All that is loaded stays: whoever looks for circles among what comes need not look through it.
            gc.freeze()
            yield intake, replace(spec, advise=channel_options)
        finally:
            intake.close()

    def _guard(self, files: Sequence[str]) -> None:
        """Refuse JSON in the place of a capture, of `files`, or of a file that is no inspection."""
        from canmap.outputs.guard import guard_output

        if self.json_path is not None:
            inputs = (*self.captures, *files)
            guard_output(self.json_path, inputs, overwrite=self.overwrite, own=_OWN_JSON)


def reads_captures(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of a session and of a screen; it gets a `Request`, first of all."""
    return _with_request(command, _screen_options("inspection"))


def reads_captures_for(what: str) -> Callable[..., Any]:
    """Give a command the options of a session and of a screen, with `what` as JSON; it gets a `Request`."""
    return lambda command: _with_request(command, _screen_options(what))


def _screen_options(what: str) -> tuple[Callable[..., Any], ...]:
    return (*_SESSION[:2], _json(what), *_SESSION[2:], _SI)


def reads_session(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of a session; it gets them as a `Request`, first of its arguments.

    Whether there has to be a spec is for the command to say: `Request.require_spec`.
    """
    spec = click.option("--spec", metavar="SPEC", default="", help="The vehicle's mapping spec.")
    return _with_request(command, (*(spec if option is _SPEC else option for option in _SESSION),))


def _with_request(command: Callable[..., Any], options: Sequence[Callable[..., Any]]) -> Callable[..., Any]:
    @functools.wraps(command)
    def with_request(  # the names are those of the options
        captures: tuple[str, ...],
        spec: str,
        channel: Sequence[str],
        description: Sequence[str],
        from_s: float | None,
        to_s: float | None,
        overwrite: bool,
        json_path: str | None = None,
        si: bool = False,
        **own: object,
    ) -> Any:
        channels = assignments(channel, "--channel", "BUS=CHANNEL")
        descriptions = assignments(description, "--description", "BUS=FILE")
        span_s = span(from_s, to_s)
        request = Request(captures, spec, channels, descriptions, span_s, overwrite, json_path, si)
        return command(request, **own)

    return functools.reduce(lambda made, option: option(made), reversed(options), with_request)


def assignments(pairs: Sequence[str], option: str, form: str) -> dict[str, str]:
    """Return arguments of a form such as BUS=CHANNEL as a mapping.

    Raises:
        UsageError: One of them has no "=", or two have one name.
    """
    result = {}
    for pair in pairs:
        bus, equals, value = pair.partition("=")
        if not (bus and equals and value):
            raise UsageError(f"{option} {pair} is not of the form {form}.")
        if bus in result:
            raise UsageError(f"{option} names {bus} twice; name it once.")
        result[bus] = value
    return result


def span(from_s: float | None, to_s: float | None) -> tuple[float, float]:
    """Return the span of capture time to use, in s.

    Raises:
        UsageError: It is empty or not a time.
    """
    from canmap.frames.window import LONGEST_S

    for option, value in (("--from", from_s), ("--to", to_s)):
        if value is not None and not 0 <= value <= LONGEST_S:
            raise UsageError(f"{option} {value:g} is not a time; give seconds from the first frame.")
    begin, end = from_s or 0.0, math.inf if to_s is None else to_s
    if end <= begin:
        raise UsageError(f"--from {begin:g} and --to {end:g} leave no time between them.")
    return begin, end
