"""The command group, and the one place where an error becomes a plain line."""

import contextlib
import errno
import io
import sys

import click

from waveworks.cli.calibrate import calibrate
from waveworks.cli.check import check
from waveworks.cli.convert import convert
from waveworks.cli.criteria import criteria
from waveworks.cli.demo import demo
from waveworks.cli.detect import detect
from waveworks.cli.grade import grade
from waveworks.cli.measure import measure
from waveworks.cli.report import report
from waveworks.cli.show import show_faults
from waveworks.cli.simulate import simulate
from waveworks.errors import WaveworksError

EXIT_FAULT = 1


class _PlainErrors(click.Group):
    """A group whose commands end with a plain line where the input is at fault."""

    def invoke(self, ctx: click.Context) -> object:
        """Run the command that was asked for.

        Parameters
        ----------
        ctx : click.Context
            Of this call.

        Returns
        -------
        object
            Whatever the command returns.
        """
        try:
            return super().invoke(ctx)
        except WaveworksError as fault:
            show_faults(str(fault).splitlines())
            return ctx.exit(EXIT_FAULT)
        except KeyboardInterrupt:
            show_faults(["stopped; output is written whole or not at all"])
            return ctx.exit(EXIT_FAULT)
        except OSError as fault:
            if fault.errno == errno.EPIPE:
                raise  # the reader of a pipe has gone: click ends without a word
            show_faults([f"cannot print: {fault.strerror or fault}"])
            return ctx.exit(EXIT_FAULT)


@click.group(cls=_PlainErrors, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="waveworks")
def commands() -> None:
    """Re-analyse exported averaged waveforms, and prove each number.

    waveworks is decision support for qualified people. It does not replace the local protocol,
    the original recording or the judgement of a licensed practitioner.
    """


commands.add_command(calibrate)
commands.add_command(check)
commands.add_command(convert)
commands.add_command(criteria)
commands.add_command(demo)
commands.add_command(detect)
commands.add_command(grade)
commands.add_command(measure)
commands.add_command(report)
commands.add_command(simulate)


def main() -> None:
    """Run the command line and exit."""
    # A console that cannot show a character of a user's file shows its code instead.
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, io.UnsupportedOperation):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    commands()
