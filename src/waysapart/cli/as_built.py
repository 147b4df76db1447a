"""Parts of `waysapart check` about the plant as it is built: traces, splices, spare fibres."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from waysapart.cli.common import busy, output, write_json

if TYPE_CHECKING:
    from waysapart.network.build_network import Network


def tell_trace(network: Network, link: str, json_file: str | None) -> None:
    """Print what one link is traced over, with its own gaps, and end the command.

    Raises
    ------
    click.UsageError
        There is no such link, or it gives no ports to trace it from.
    """
    from waysapart.network.build_network import link_traces
    from waysapart.report.as_built import show_trace
    from waysapart.report.terminal import show_gaps, styled
    from waysapart.study.ledger import did_you_mean, folded_gaps

    links = network.study.tables["links"].set_index("id")
    if link not in links.index:
        raise click.UsageError(
            f"--trace: there is no link {link!r}{did_you_mean(link, list(links.index))}"
        )
    ways = link_traces(network, link).get(link)
    gaps = folded_gaps([gap for gap in network.gaps if link in gap.links])
    if not ways:
        raise click.UsageError(
            f"--trace: link {link} gives no a_port and b_port, or no splices, terminations or "
            "patches are on record; its cables are those of link_runs"
        )
    if not write_json(json_file, {"errors": [], "gaps": gaps, "link": link, "trace": ways}):
        console = output()
        row = links.loc[link]
        show_trace(console, link, str(row["a"]), str(row["b"]), ways)
        if gaps:
            console.print(styled(f"Record gaps of {link}:", "bold"))
            show_gaps(console, gaps)
    sys.exit(3 if gaps else 0)


def tell_splices(network: Network, json_file: str | None) -> None:
    """Print every splice on record and what was measured over them, and end the command."""
    import numpy as np
    import pandas as pd

    from waysapart.findings.loss import loss_budgets
    from waysapart.findings.splices import explained_losses, splice_table
    from waysapart.report.as_built import show_splices
    from waysapart.study.ledger import folded_gaps

    gaps = folded_gaps(network.gaps)
    table = splice_table(network)
    held = explained_losses(network, loss_budgets(network))
    facts: dict[str, Any] = {
        "errors": [],
        "gaps": gaps,
        "splices": table.drop(columns="row")
        .astype({"a_fibre": int, "b_fibre": int, "days": "Int64"})
        .astype(object)
        .replace({np.nan: None, pd.NA: None})
        .to_dict("records"),
        "measured": held.replace({np.nan: None}).to_dict("records"),
    }
    if not write_json(json_file, facts):
        show_splices(output(), table, held, network.study.rules.tests.splice_db)
        _tell_gaps(network, "--splices")
    sys.exit(3 if gaps else 0)


def tell_spares(network: Network, json_file: str | None) -> None:
    """Print the spare fibres of a study, and end the command."""
    from waysapart.network.spares import spare_fibres
    from waysapart.report.as_built import show_spares
    from waysapart.study.ledger import folded_gaps

    gaps = folded_gaps(network.gaps)
    with busy("looking for spare fibres"):
        found = spare_fibres(network).facts()
    if not write_json(json_file, {"errors": [], "gaps": gaps, "spares": found}):
        console = output()
        show_spares(console, found)
        _tell_gaps(network, "--spares")
    sys.exit(3 if gaps else 0)


def _tell_gaps(network: Network, option: str) -> None:
    """Say how many record gaps there are beside what an option prints."""
    from waysapart.report.terminal import styled
    from waysapart.report.words import count_of

    if network.gaps:
        said = count_of(len(network.gaps), "record gap")
        output().print(styled(f"{said}, listed by check without {option}"))
