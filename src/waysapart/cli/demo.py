"""`waysapart demo`."""

from __future__ import annotations

from pathlib import Path

import click

from waysapart.cli.common import busy, force_option, forced, output, telling_errors


@click.command(short_help="Write the example study, prove it, write its report.")
@click.argument(
    "folder", default="waysapart-demo", type=click.Path(path_type=Path, file_okay=False)
)
@force_option
@telling_errors
def demo(folder: Path) -> None:
    """Write the example study into FOLDER, prove it, write its report, and say where to look.

    The study is invented: an estuary with a trap for each way in which two paths that look
    apart are not.

    \b
    Example:
        waysapart demo
    """
    from waysapart.examples import write_example
    from waysapart.output import OutputFile, refuse_unsafe
    from waysapart.report.terminal import show_proof, styled
    from waysapart.report.write import write_report
    from waysapart.study.read import read_study
    from waysapart.verdicts.prove import prove

    target = OutputFile(folder / "report.html", "html")
    refuse_unsafe([target], force=forced(), folders=True)
    with busy("writing the example study"):
        write_example(folder, force=forced())
    with busy("proving"):
        proof = prove(read_study(folder))
        report = write_report(proof, target.path, force=forced())
    console = output()
    show_proof(console, proof.facts())
    console.print()
    console.print(styled(f"The study:  {folder}"))
    console.print(styled(f"The report: {report.resolve()}", "bold"))
    console.print(styled("Open the report in a browser; it needs no network."))
    console.print(styled(f"Next:       waysapart prove {folder} --circuit C03"))
