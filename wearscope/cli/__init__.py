"""The command line: one file per command group.

Everything heavy is imported inside the commands, so that help is quick.
"""

import sys

import typer

from wearscope import __version__
from wearscope.cli import (
    calibrate,
    cutters,
    diameter,
    drawer,
    evidence,
    inspect,
    labels,
    limits,
    recording,
    sample,
    stack,
    trend,
)
from wearscope.errors import InputError, WearscopeError
from wearscope.threads import single_threaded

__all__ = ["app", "main"]

app = typer.Typer(
    help="Decide from photos whether a router cutter is sharp, worn or to be discarded.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for _module in (
    inspect,
    labels,
    calibrate,
    diameter,
    drawer,
    sample,
    stack,
    cutters,
    recording,
    trend,
    evidence,
    limits,
):
    _module.register(app)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"wearscope {__version__}")
        raise typer.Exit


@app.callback()
def _whole(
    version: bool = typer.Option(
        False, "--version", callback=_show_version, is_eager=True, help="Show the version and stop."
    ),
) -> None:
    """Decide from photos whether a router cutter is sharp, worn or to be discarded."""


def main() -> None:
    """The `wearscope` command: a deliberate error is one message on stderr, exit 2 for wrong use, else 1."""
    single_threaded()
    try:
        app(prog_name="wearscope")
    except WearscopeError as error:
        print(f"wearscope: {error}", file=sys.stderr)
        sys.exit(2 if isinstance(error, InputError) else 1)
