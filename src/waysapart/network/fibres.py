"""Find out which fibres links use, and what their records leave open.

Two records of fibres that contradict each other do not end the study: they become a gap of the
links that use the fibres.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Ints
from waysapart.gaps import Gap
from waysapart.network.assets import listed, place_of
from waysapart.network.links import BOTH, GO, LinkParts, Parts
from waysapart.network.measurements import link_losses
from waysapart.schema import LIST_SEPARATOR
from waysapart.study.model import Study, kept_by_study
from waysapart.study.rules import core_um

PARTING = ("multiplexer", "filter")
"""Kinds of equipment that separate the wavelengths or channels of one fibre."""


def fibre_gaps(study: Study, parts: Parts, pieces: LinkParts) -> list[Gap]:
    """Find fibres that do not exist, that merge into one, or that carry more than one link.

    Parameters
    ----------
    study : Study
    parts : Parts
    pieces : LinkParts

    Returns
    -------
    list of Gap
        Codes `fibre-beyond`, `fibre-twice`, `fibre-merged`, `fibre-shared` and, where the loss
        between fibres of two cores is not stated, `mode-mismatch`.
    """
    return [
        *_beyond(study),
        *_twice(study, pieces),
        *_merged(study, pieces),
        *_shared(study, parts, pieces),
        *_mismatches(study, parts, pieces),
    ]


@kept_by_study
def _run_fibres(study: Study) -> pd.DataFrame:
    """Every fibre that a row of link_runs names: `run` (row), `link`, `cable` (ids), `fibre`."""
    runs = study.tables["link_runs"]
    row, number = listed(runs["fibres"])
    return pd.DataFrame(
        {
            "run": row,
            "link": runs["link"].to_numpy(dtype=object)[row],
            "cable": runs["cable"].to_numpy(dtype=object)[row],
            "fibre": number.to_numpy(dtype=np.float64).astype(np.int64),
        }
    )


def _beyond(study: Study) -> list[Gap]:
    """Fibre numbers that the cable does not have."""
    cables = study.tables["cables"].set_index("id")["fibre_count"]
    used = _run_fibres(study)
    used = used.assign(count=used["cable"].map(cables))
    gaps = []
    for run, mine in used[used["fibre"] > used["count"]].groupby("run", sort=True):
        first = mine.iloc[0]
        gaps.append(
            _gap(
                study,
                "fibre-beyond",
                (first["link"],),
                f"link {first['link']}: {_fibres(mine['fibre'])} of cable {first['cable']}, which "
                f"has {first['count']:g} by its fibre_count: correct the one or the other",
                int(str(run)),
            )
        )
    return gaps


def _twice(study: Study, pieces: LinkParts) -> list[Gap]:
    """Rows that name one fibre twice, unless two fibres of a neighbouring row continue as it."""
    used = _run_fibres(study)
    again = used[used.duplicated(["run", "fibre"])]
    told = {run for pair in _unequal(study, pieces) for run in pair}
    return [
        _gap(
            study,
            "fibre-twice",
            (mine["link"].iloc[0],),
            f"link {mine['link'].iloc[0]}: {_fibres(mine['fibre'])} of cable "
            f"{mine['cable'].iloc[0]} is named twice: correct one of the two, or name it once if "
            "the link needs no other",
            int(str(run)),
        )
        for run, mine in again.groupby("run", sort=True)
        if run not in told
    ]


def _unequal(study: Study, pieces: LinkParts) -> list[tuple[int, int]]:
    """Rows of link_runs that follow each other in a link with different numbers of fibres."""
    fibres = _run_fibres(study)
    count = np.zeros(len(study.tables["link_runs"]), dtype=np.int64)
    different = fibres.groupby("run")["fibre"].nunique()
    count[different.index.to_numpy(dtype=np.int64)] = different.to_numpy()
    before = pieces.onward()
    one, other = pieces.run[before], pieces.run[before + 1]
    wrong = (count[one] != count[other]) & (count[one] > 0) & (count[other] > 0)
    return sorted(set(zip(one[wrong].tolist(), other[wrong].tolist(), strict=True)))


def _merged(study: Study, pieces: LinkParts) -> list[Gap]:
    """Two fibres of one cable that continue as one fibre of the next, or one as two."""
    used = _run_fibres(study).groupby("run")
    gaps = []
    for one, other in _unequal(study, pieces):
        here, there = used.get_group(one), used.get_group(other)
        link = here["link"].iloc[0]
        gaps.append(
            _gap(
                study,
                "fibre-merged",
                (link,),
                f"link {link}: {_fibres(here['fibre'])} of cable {here['cable'].iloc[0]} "
                f"cannot go on as {_fibres(there['fibre'])} of cable {there['cable'].iloc[0]}: "
                "correct the fibres of one of the two",
                other,
            )
        )
    return gaps


def _shared(study: Study, parts: Parts, pieces: LinkParts) -> list[Gap]:
    """Fibres that carry two links without a wavelength and filter, or a channel, for each."""
    links = study.tables["links"]
    used = pd.DataFrame({"run": pieces.run, "part": pieces.part, "number": pieces.link}).merge(
        _run_fibres(study), on="run"
    )
    used = used.drop_duplicates(["cable", "fibre", "number", "part"])
    if not used.duplicated(["cable", "fibre"]).any():
        return []
    alone = used.groupby(["cable", "fibre"])["number"].transform("nunique") == 1
    used = used[~alone]
    pairs = used.merge(used, on=["cable", "fibre"], suffixes=("", "_other"))
    pairs = pairs[pairs["number"] < pairs["number_other"]]
    if not len(pairs):
        return []
    pairs = pairs[_overlap(parts, pairs["part"].to_numpy(), pairs["part_other"].to_numpy())]
    wavelength = links["wavelength_nm"].to_numpy(dtype=np.float64)
    channel = links["channel"].to_numpy(dtype=object)
    parting = _parting(study)
    gaps = []
    for numbers, mine in pairs.groupby(["number", "number_other"], sort=True):
        one, other = cast(tuple[int, int], numbers)
        both = parting.get(one, set()), parting.get(other, set())
        waves = wavelength[[one, other]]
        said = [channel[one], channel[other]]
        if waves[0] != waves[1]:
            if all(both):
                continue
            text = (
                f"at {waves[0]:g} and {waves[1]:g} nm, and no filter or multiplexer parts them: "
                "name it in via of both links"
            )
        elif all(isinstance(one_said, str) for one_said in said) and said[0] != said[1]:
            if both[0] & both[1]:
                continue
            text = (
                f"parted by channel alone ({said[0]} and {said[1]}): name the multiplexer or "
                "filter that both pass in via of both links"
            )
        else:
            text = (
                "at one wavelength and on one channel: correct the fibre, or the wavelength_nm or "
                "channel of one of them"
            )
        names = tuple(str(links["id"].iloc[number]) for number in (one, other))
        where = " and ".join(
            f"{_fibres(fibres['fibre'])} of cable {cable}"
            for cable, fibres in mine.groupby("cable", sort=True)
        )
        gaps.append(
            _gap(
                study,
                "fibre-shared",
                names,
                f"links {names[0]} and {names[1]} both use {where} {text}",
                int(mine["run_other"].min()),
            )
        )
    return gaps


def _parting(study: Study) -> dict[int, set[str]]:
    """Multiplexers and filters that each link passes, its ends among them."""
    links, equipment = study.tables["links"], study.tables["equipment"]
    those = set(equipment["id"][equipment["kind"].isin(PARTING)])
    row, name = listed(links["via"])
    number = np.arange(len(links))
    found: dict[int, set[str]] = {}
    for link, machine in zip(
        np.r_[row, number, number].tolist(),
        [*name, *links["a"], *links["b"]],
        strict=True,
    ):
        if machine in those:
            found.setdefault(link, set()).add(machine)
    return found


def _overlap(parts: Parts, one: Ints, other: Ints) -> Bools:
    """Whether two parts of one cable overlap."""
    found: Bools = np.asarray((one == other) | parts.whole[one] | parts.whole[other])
    for place in np.flatnonzero(~found):
        found[place] = _meet(parts, int(one[place]), int(other[place]))
    return found


def _meet(parts: Parts, one: int, other: int) -> bool:
    spans: dict[int, list[tuple[float, float]]] = {}
    for row in range(int(parts.first[one]), int(parts.first[one + 1])):
        low, high = sorted((float(parts.start[row]), float(parts.stop[row])))
        spans.setdefault(int(parts.segment[row]), []).append((low, high))
    for row in range(int(parts.first[other]), int(parts.first[other + 1])):
        low, high = sorted((float(parts.start[row]), float(parts.stop[row])))
        for begin, end in spans.get(int(parts.segment[row]), ()):
            if min(high, end) - max(low, begin) > 1e-9:
                return True
    return False


def core_steps(study: Study, parts: Parts, pieces: LinkParts) -> pd.DataFrame:
    """Find where links continue in fibre of another core.

    Parameters
    ----------
    study : Study
    parts : Parts
    pieces : LinkParts

    Returns
    -------
    DataFrame
        `link`, `way`; `cable`, `after` (numbers of the two cables, in the order
        of the link); `go_db`, `return_db`: coupling loss of the step in dB, from the
        link's end a to b, and from b to a. 0 where the link does not use that direction,
        or the next core is not smaller; NaN where the rules state no
        loss, or no core of one of the two types.

    Notes
    -----
    A type that is not on record is a gap of its own, and no step.
    """
    types = study.tables["cables"]["fibre_type"]
    core = types.map({name: core_um(one) for name, one in study.rules.fibres.items()})
    cores = np.asarray(core.to_numpy(dtype=np.float64))
    before = pieces.onward()
    cable, after = (parts.cable[pieces.part[place]] for place in (before, before + 1))
    name = types.to_numpy(dtype=object)
    recorded = types.notna().to_numpy()
    other = (name[cable] != name[after]) & recorded[cable] & recorded[after]
    other &= cores[cable] != cores[after]
    before, cable, after = before[other], cable[other], after[other]
    way, turned = pieces.way[before], pieces.from_b[before]
    mismatch = study.rules.defaults.mode_mismatch_db
    onward, backward = (
        np.array([mismatch.step_db(*pair) for pair in zip(cores[a], cores[b], strict=True)])
        for a, b in ((cable, after), (after, cable))
    )
    go, back = np.where(turned, backward, onward), np.where(turned, onward, backward)
    return pd.DataFrame(
        {
            "link": pieces.link[before],
            "way": way,
            "cable": cable,
            "after": after,
            "go_db": np.where((way == BOTH) | (way == GO), go, 0.0),
            "return_db": np.where((way == BOTH) | (way != GO), back, 0.0),
        }
    )


def _mismatches(study: Study, parts: Parts, pieces: LinkParts) -> list[Gap]:
    """Steps into a smaller core whose loss is not stated, of links whose loss was not measured."""
    steps = core_steps(study, parts, pieces)
    unknown = steps["go_db"].isna() | steps["return_db"].isna()
    unknown &= ~link_losses(study).complete[steps["link"].to_numpy(dtype=np.int64)]
    steps = steps[unknown].drop_duplicates(["link", "cable", "after"])
    cables, links = study.tables["cables"], study.tables["links"]["id"].to_numpy()
    fibres = study.rules.fibres
    gaps = []
    for row in steps.itertuples(index=False):
        link = str(links[row.link])
        pair = [
            (cables["id"].iloc[n], cables["fibre_type"].iloc[n]) for n in (row.cable, row.after)
        ]
        bare = [kind for _, kind in pair if np.isnan(core_um(fibres[kind]))]
        cure = (
            f'state core_um of {bare[0]} under [fibres."{bare[0]}"] in the rules'
            if bare
            else "correct the type of one of them, state what the step loses under "
            "[defaults.mode_mismatch_db] in the rules, or measure the link"
        )
        said = " and ".join(f"{name} ({kind})" for name, kind in pair)
        gaps.append(
            Gap(
                "mode-mismatch",
                f"link {link}: cables {said} follow each other, and what the light loses between "
                f"their cores is not known: {cure}",
                link,
                links=(link,),
                column="fibre_type",
                **place_of(study, cables, int(row.after)),
            )
        )
    return gaps


def _fibres(numbers: Iterable[int]) -> str:
    """`fibre 5`, or `fibres 1;2`."""
    several = sorted(set(numbers))
    return f"fibre{'s' * (len(several) > 1)} " + LIST_SEPARATOR.join(str(one) for one in several)


def _gap(study: Study, code: str, links: tuple[str, ...], text: str, run: int) -> Gap:
    """A gap of some links that a row of link_runs shows."""
    runs = study.tables["link_runs"]
    return Gap(code, text, links[0], links=links, column="fibres", **place_of(study, runs, run))
