"""The command group. Commands are imported when they run, so that help is instant."""

from __future__ import annotations

import importlib
import os
import sys
from typing import NoReturn

import click

from gapscan import __version__
from gapscan.errors import GapscanError

# name -> (module, line for the list of commands; kept here so that the list imports nothing)
_COMMANDS = {
    "frame": ("gapscan.cli.frame", "Write the scale frame to cut once and lay round every dry fit."),
    "pieces": ("gapscan.cli.pieces", "List what is understood of a drawing; write a job file to fill in."),
    "inspect": ("gapscan.cli.inspect", "Measure the seams of a dry fit; list the pieces to recut."),
    "plan": ("gapscan.cli.plan", "Plan the recuts anew from a result folder, with other settings; no photo needed."),
    "notebook": ("gapscan.cli.notebook", "Keep what every inspected piece lost at the cut, for the next job."),
    "suggest": ("gapscan.cli.suggest", "Suggest the offsets to start a new design with, from the notebook."),
    "sheets": ("gapscan.cli.sheets", "Lay the pieces to recut out on sheets for the laser's bed, and draw a proof."),
    "compare": ("gapscan.cli.compare", "Set two cuts of one drawing against each other: which one loses less."),
    "rounds": ("gapscan.cli.rounds", "Tell the history of a job's rounds; draw it."),
    "demo": ("gapscan.cli.demo", "Write a complete example and inspect it."),
}
# What opencv-python's extension module asks of the system (ldd), and what a slim system lacks.
_DISPLAY_LIBRARIES = ("libgl.so", "libxcb", "libgthread", "libglib", "libx11", "libsm", "libice", "libxext")


class LazyGroup(click.Group):
    """A group that knows its commands by name and imports one only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  click's signature
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in _COMMANDS:
            return None
        command = importlib.import_module(_COMMANDS[cmd_name][0]).command
        if not isinstance(command, click.Command):
            raise TypeError(f"{cmd_name} is not a command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in _COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="gapscan")
def group() -> None:
    """Measure every seam of a taped veneer dry fit from one backlit photo, and list the few pieces to recut.

    Exit codes: 0 done, 1 with --gate when a piece needs a recut, 2 unusable arguments or input, 3 a photo
    that cannot support an answer.
    """


def main() -> NoReturn:
    """Run the command line; every expected failure is one sentence on stderr and an exit code."""
    # Read when the first command imports NumPy. The systems solved here are tall and thin or small: helper threads of
    # the linear algebra library (OpenBLAS) win nothing on them and spend whole cores on waiting for work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a sign shows "?" rather than a traceback.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    code = 0
    try:
        result = group.main(args=arguments, prog_name="gapscan", standalone_mode=False)
        sys.stdout.flush()
        code = result if isinstance(result, int) else 0
    except (click.exceptions.Abort, KeyboardInterrupt):
        code = 130
    except click.exceptions.Exit as leave:
        code = leave.exit_code
    except click.ClickException as err:
        err.show()
        code = 2
    except GapscanError as err:
        _complain(str(err))
        code = err.exit_code
    except BrokenPipeError:  # before its parent OSError
        # The reader left (as "| head" does). Point stdout elsewhere, or the interpreter complains at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as err:
        if err.filename is None:
            raise
        _complain(f"{err.filename}: cannot be used ({err.strerror}); check the path")
        code = 2
    except ImportError as err:
        sentence = missing_library(err)
        if sentence is None:
            raise
        _complain(sentence)
        code = 2
    except MemoryError:
        _complain("not enough memory for photos of this size; close other programs or give fewer photos")
        code = 2
    return code


def missing_library(err: ImportError) -> str | None:
    """One sentence for a system library that OpenCV misses; None when the fault is another one."""
    text = str(err)
    if not any(name in text.lower() for name in _DISPLAY_LIBRARIES):
        return None
    library = text.partition(":")[0]
    return (
        f"the system library {library} that OpenCV needs is missing; on Debian or Ubuntu install it with "
        "'apt-get install libgl1 libglib2.0-0 libxcb1', or do without it: "
        "'pip uninstall opencv-python' and then 'pip install opencv-python-headless'"
    )


def _complain(message: str) -> None:
    click.echo(f"gapscan: {' '.join(message.split())}", err=True)
