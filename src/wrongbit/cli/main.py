"""The door: finds the verb, runs it, and turns errors into text and exit codes.

Nothing heavy is imported before the verb is known, so that ``wrongbit --help`` answers at once.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module

from wrongbit import __version__
from wrongbit.cli.streams import discard_output, prepare


class Verb:
    """One command. (A plain class: importing dataclasses would take longer than all of ``--help``.)

    Args:
        name: What a person types.
        says: What it does, in one line.
        module: Module in this room with a typer application named ``app``.
    """

    __slots__ = ("module", "name", "says")

    def __init__(self, name: str, says: str, module: str) -> None:
        self.name = name
        self.says = says
        self.module = module


VERBS: tuple[Verb, ...] = (
    Verb(
        "demo", "See a dead machine diagnosed: an invented machine, a fault, a capture, the answer.", "demo"
    ),
    Verb("new", "Begin a case: a folder with a machine file to start from.", "new"),
    Verb("add", "Add a capture, reading, reference, measurement, value or note to a case.", "add"),
    Verb("history", "Show the journal of a case: who found what, and when.", "history"),
    Verb("verify", "Check that everything in a case is as it was kept.", "verify"),
    Verb("check", "Check a machine file and show what it says; print the JSON Schema.", "check"),
    Verb("ladder", "Judge rails, clock, reset and start-up inputs, before any bus is looked at.", "bringup"),
    Verb("standin", "Compute a stand-in for a missing start-up signal: 555 parts, timer counts.", "standin"),
    Verb("cycles", "Rebuild the bus cycles of a capture.", "cycles"),
    Verb("leads", "Check your clips: swapped, inverted, unconnected, doubled leads, a wrong edge.", "leads"),
    Verb("recover", "Find the address of every word of a capture that has none to rely on.", "recover"),
    Verb("pair", "Compare two captures with no reference: two runs, or a machine and its twin.", "pair"),
    Verb("compare", "Compare every cycle with what should have been there.", "compare"),
    Verb("explain", "Tell on which word the processor acted, and what became of it.", "explain"),
    Verb(
        "diagnose",
        "Name the first wrong word, the bits, the chip and the fault behind it.",
        "diagnose",
    ),
    Verb(
        "suspects", "Weigh the parts between chip and processor by everything in a case folder.", "suspects"
    ),
    Verb("next", "Say what to measure next, where to clip on, and what each outcome would mean.", "next"),
    Verb("chip", "Examine several readings of one chip out of the board.", "chip"),
    Verb(
        "rebuild",
        "Rebuild a chip's contents from all sources, and say of each bit how sure it is.",
        "rebuild",
    ),
    Verb(
        "fit", "Choose a memory that can still be bought for a chip's place, with wiring and timing.", "fit"
    ),
    Verb("files", "Write the programmer's files for a replacement, and read them back.", "files"),
    Verb("prove", "Prove a repair: what was wrong is judged again, before and after.", "prove"),
    Verb("report", "Write a case down for another person, as HTML and PDF.", "report"),
    Verb("serve", "Open a case in the browser: the workbench, for this computer only.", "serve"),
    Verb("batch", "Examine many cases or captures side by side, and sum them up.", "batch"),
)
"""Every verb, in the order in which a repair uses them."""

EXIT_FINE, EXIT_FAULT, EXIT_INPUT, EXIT_INTERRUPTED = 0, 1, 2, 130


def help_text() -> str:
    """What ``wrongbit --help`` prints."""
    width = max(len(verb.name) for verb in VERBS)
    lines = [
        "wrongbit finds the wrong word, bit, lane and chip in a machine that has power but does not start.",
        "",
        "Usage: wrongbit VERB [OPTIONS] …      wrongbit VERB --help tells more of one",
        "",
        *(f"  {verb.name:<{width}}  {verb.says}" for verb in VERBS),
        "",
        "Exit codes: 0 fine and no fault found; 1 a fault was found; 2 bad input or usage.",
        "New here? Run: wrongbit demo",
    ]
    return "\n".join(_broken(line) for line in lines)


def _broken(line: str) -> str:
    """A line of help that fits the terminal, its rest set in under what a verb does."""
    from shutil import get_terminal_size
    from textwrap import fill

    hang = max(len(verb.name) for verb in VERBS) + 4 if line.startswith("  ") else 0
    return fill(line, max(get_terminal_size().columns, 40), subsequent_indent=" " * hang) or line


def run(arguments: Sequence[str] | None = None) -> None:
    """The console script's entry."""
    prepare()
    # Our products of matrices are small: threads for them cost more than they bring, most of all on a busy
    # computer. It must be said before numpy is imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        code = main(list(sys.argv[1:] if arguments is None else arguments))
        sys.stdout.flush()
    except KeyboardInterrupt:
        code = EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone (as with `| head`): nothing more to say to it.
        discard_output()
        code = EXIT_FINE
    except OSError as error:
        discard_output()
        place = error.filename or "The output"
        print(f"wrongbit: {place}: {error.strerror or error}.", file=sys.stderr)
        code = EXIT_INPUT
    if code == EXIT_INTERRUPTED:
        print("wrongbit: interrupted; nothing was left half-written.", file=sys.stderr)
    sys.exit(code)


def main(arguments: list[str]) -> int:
    """Run one command.

    Args:
        arguments: Everything after the program's name.

    Returns:
        The exit code.
    """
    if not arguments or arguments[0] in ("--help", "-h", "help"):
        print(help_text())
        return EXIT_FINE
    if arguments[0] in ("--version", "-V"):
        print(f"wrongbit {__version__}")
        return EXIT_FINE
    verb = next((verb for verb in VERBS if verb.name == arguments[0]), None)
    if verb is None:
        return _unknown(arguments[0])
    return _call(verb, arguments[1:])


def _unknown(name: str) -> int:
    from difflib import get_close_matches

    near = get_close_matches(name, [verb.name for verb in VERBS], n=1)
    hint = f" Did you mean 'wrongbit {near[0]}'?" if near else ""
    print(f"wrongbit: there is no verb {name!r}.{hint} See 'wrongbit --help'.", file=sys.stderr)
    return EXIT_INPUT


def _call(verb: Verb, arguments: list[str]) -> int:
    """Run a verb; a user's mistake becomes a message, never a traceback."""
    import typer

    from wrongbit.cli.show import show_error
    from wrongbit.errors import WrongbitError

    application = import_module(f"wrongbit.cli.{verb.module}").app
    command = typer.main.get_command(application)
    try:
        result = command.main(arguments, prog_name=f"wrongbit {verb.name}", standalone_mode=False)
    except WrongbitError as error:
        show_error(error, as_json="--json" in arguments)
        return EXIT_INPUT
    except (typer.Abort, KeyboardInterrupt):
        return EXIT_INTERRUPTED
    except OSError:
        raise  # the output's: `run` tells of it
    except Exception as error:
        show = getattr(error, "show", None)
        if show is None:
            raise
        show()
        return EXIT_INPUT
    return result if isinstance(result, int) else EXIT_FINE
