"""The command line: one module a command; it parses, calls a job and prints, and does no arithmetic.

`main` is the entry point of the command ``stillbeat``. Commands are imported only when they run, so that
``stillbeat --help`` stays quick: it imports click and nothing of numpy, rich or MIDI ports.

Exit codes: 0; 2 usage or a value out of range; 3 bad input file or unwritable output; 4 port or device;
130 interrupted. Errors are one line on stderr; a traceback is shown only with ``--debug``.
"""

from __future__ import annotations

import os
import re
import signal
import sys
import threading
from collections.abc import Sequence

import click

from bridge import __version__
from bridge.cli.parts.registry import COMMANDS, LazyGroup
from bridge.errors import StillbeatError, near_names, visible

_SUMMARY = """Make electronic instruments match a guitar tuned to a pure open chord.

Name the guitar and what its reference string really sounds; Stillbeat works out the pitch of every note and
sends it to a synth, retunes a backing track, or writes tables to hand out.

\b
  stillbeat table --guitar open-d --reference D3=146.5
  stillbeat retune song.mid -o song-pure.mid --guitar open-d --reference D3=146.5
  stillbeat render song-pure.mid -o song-pure.wav
"""


_NAME = "stillbeat "
_NOT_A_NUMBER = re.compile(r"is not a valid (?:integer|float)(?: range)?")


@click.group(
    cls=LazyGroup,
    commands_table=COMMANDS,
    help=_SUMMARY,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="stillbeat", message="%(prog)s %(version)s")
@click.option("--debug", is_flag=True, expose_value=False, help="Show the whole traceback of an error.")
def stillbeat() -> None:
    """Group of all commands."""


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line and leave with the exit code that the module's text promises.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process where left out.
    """
    # Matrices here are too small to share: beside a busy core, threads that wait for each other take four times as
    # long. It counts only before numpy is imported, which is later.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _stand_in_for_closed()
    _leave_in_order()
    arguments = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in arguments
    arguments = [argument for argument in arguments if argument != "--debug"]
    try:
        result = stillbeat.main(arguments, prog_name="stillbeat", standalone_mode=False)
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our output has gone (``| head``): nothing to say, and nobody to say it to.
        from bridge.cli.parts.printing import stop_printing

        stop_printing()
        sys.exit(0)
    except (KeyboardInterrupt, click.Abort):
        _complain("interrupted", debug)
        sys.exit(130)
    except StillbeatError as error:
        _complain(str(error), debug)
        sys.exit(error.exit_code)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message())
        sys.exit(0)
    except click.ClickException as error:
        context = getattr(error, "ctx", None)
        place = (
            f"{context.command_path.removeprefix(_NAME)}: "
            if context is not None and context.parent is not None
            else ""
        )
        said = _NOT_A_NUMBER.sub("is no number that fits here", _one_line(error.format_message()))
        _complain(place + said + _likely(error), debug)
        sys.exit(2)
    except MemoryError:
        _complain("the machine ran out of memory", debug)
        sys.exit(3)
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        _complain(f"{name}{error.strerror or error}", debug)
        sys.exit(3)
    except Exception as error:
        _complain(
            f"unexpected {type(error).__name__}: {_one_line(str(error))} (run again with --debug)", debug
        )
        sys.exit(1)
    sys.exit(result if isinstance(result, int) else 0)


def _stand_in_for_closed() -> None:
    """Open the null device for each standard stream that was closed, lest a file take its place."""
    while True:
        descriptor = os.open(os.devnull, os.O_RDWR)
        if descriptor > 2:
            os.close(descriptor)
            break
    for name in ("stdin", "stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "r" if name == "stdin" else "w", encoding="utf-8"))  # noqa: SIM115


def _leave_in_order() -> None:
    """Let SIGTERM and SIGHUP end a command as Ctrl-C does, so that nothing is left half written.

    Where they are ignored (``nohup``) or caught already, they stay so. Only the main thread may do this.
    """
    if threading.current_thread() is not threading.main_thread():
        return
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)


def _complain(text: str, debug: bool) -> None:
    if debug:
        import traceback

        traceback.print_exc()
    click.echo(f"stillbeat: {_one_line(visible(text))}", err=True)


def _likely(error: click.ClickException) -> str:
    """Say which of a few words was probably meant, and what a file to write is called."""
    if isinstance(error, click.MissingParameter) and error.param is not None and "-o" in error.param.opts:
        return " Say where to write: -o NAME"
    kind = getattr(getattr(error, "param", None), "type", None)
    wrong = re.search(r"'([^']+)' is not one of", error.format_message())
    if not isinstance(kind, click.Choice) or wrong is None:
        return ""
    hint = near_names(wrong[1], map(str, kind.choices))
    return f" ({hint})" if hint.startswith("did you mean") else ""


def _one_line(text: str) -> str:
    return " ".join(text.split())
