"""Words that match nothing, and spellings that a person misreads.

A kind is any word, so that a misspelt one fails nothing: it is read, and decides nothing. What
cannot be right is told; what may be right in another study with the same rules is noted.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterator, Mapping
from functools import cache
from typing import TYPE_CHECKING, Literal

import pandas as pd

from waysapart.schema import ASSET_ROLES, KNOWN_EMPTY, LIST_SEPARATOR, ROLES
from waysapart.study.ledger import Ledger, did_you_mean, listed
from waysapart.text import blank, no_shape, unseen, visible

if TYPE_CHECKING:
    from waysapart.study.rules import Rules

KINDS: Mapping[str, tuple[str, ...]] = {
    "structures": ("tower", "gantry", "pole", "pit", "entry", "bridge"),
    "segments": (
        "span",
        "duct",
        "subduct",
        "trench",
        "tray",
        "riser",
        "buried",
        "tunnel",
        "bridge",
        "subsea",
    ),
    "cables": ("opgw", "wrapped", "adss", "duct", "buried", "subsea"),
    "equipment": ("relay", "multiplexer", "repeater", "panel", "radio"),
    "supplies": ("battery", "rectifier"),
    "holders": ("room", "chassis", "rack", "charger", "right-of-way"),
}
"""By role: the kinds that waysapart knows by name. Any other word may stand there."""
_NOTHING_PASSES = ("mast",)
"""Kinds of structure that carry no cable from one place to another."""


def settled_kinds(role: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Put known kinds in lower case, so that `DUCT` counts as a duct.

    Parameters
    ----------
    role : str
    frame : DataFrame
        Rows of the role.

    Returns
    -------
    DataFrame
        Words that are not known kinds stay as they are.
    """
    known = KINDS.get(role)
    if known is None or not len(frame):
        return frame
    if not _has_capitals(frame["kind"]):
        return frame
    lower = frame["kind"].str.lower()
    change = lower.isin(known) & (lower != frame["kind"])
    return frame.assign(kind=frame["kind"].where(~change, lower)) if change.any() else frame


def _has_capitals(kinds: pd.Series) -> bool:
    return any(kind != kind.lower() for kind in kinds.dropna().unique())


def note_spelling(
    tables: Mapping[str, pd.DataFrame], cable_kinds: Collection[str], ledger: Ledger
) -> None:
    """Note kinds that are not known where that decides something, and ids easily mistaken.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Tables of the study by role.
    cable_kinds : collection of str
        Kinds of cable for which the rules have values of their own.
    ledger : Ledger
        Takes the notes.
    """
    for role, more, so in (
        (
            "structures",
            _NOTHING_PASSES,
            "no segment is taken to pass them, unless it names them in a or b",
        ),
        ("segments", (), "they are taken to pass pits, entries and bridges, no towers or poles"),
        ("cables", cable_kinds, "overlength and slack by kind are not taken for them"),
    ):
        kinds = tables[role]["kind"].dropna()
        unknown = sorted(set(kinds[~kinds.isin([*KINDS[role], *more])]))
        if unknown:
            ledger.note(
                f"{role} of kind {listed(map(repr, unknown))} are none of "
                f"{', '.join(KINDS[role])}: {so}"
            )
    assets = pd.concat([tables[name]["id"] for name in ASSET_ROLES], ignore_index=True)
    for label, ids in (
        ("ids of assets", assets),
        ("ids of links", tables["links"]["id"]),
        ("ids of circuits", tables["circuits"]["id"]),
        ("ids of rings", tables["rings"]["ring"]),
        ("names of groups", tables["circuits"]["group"]),
        ("names of schemes", tables["circuits"]["scheme"]),
        ("names of paths", tables["circuit_paths"]["path"]),
    ):
        _note_alike(label, ids.dropna().drop_duplicates(), ledger)


def _note_alike(label: str, ids: pd.Series, ledger: Ledger) -> None:
    names = [str(name) for name in ids.to_list()]
    odd = [name for name in names if not (name.isascii() and name.isprintable())]
    for pair in _same_after(names, {name: name.lower() for name in names if name.isascii()}):
        ledger.note(f"{label} that differ in case only: {pair}")
    for name in [name for name in odd if any(map(unseen, name))][:20]:
        ledger.note(f"among the {label} {_escaped(name)} holds a character that cannot be seen")
    told = _all_as_seen(names)
    for pair in _same_after(names, told):
        ledger.note(f"{label} that look alike and are not: {pair}")
    if odd:
        folded = {name: _as_seen(name, ascii_too=False).casefold() for name in names}
        for pair in _same_after(names, folded, among=frozenset(odd), told=told):
            ledger.note(f"{label} that look alike and are not: {pair}")


def _same_after(
    names: list[str],
    spelt: Mapping[str, str],
    among: frozenset[str] = frozenset(),
    told: Mapping[str, str] | None = None,
) -> list[str]:
    """The groups of names that are spelt alike, as text, at most 20 of them.

    With `among` only those that one of these is in, and with `told` only those that are not
    all alike by that spelling too.
    """
    if len(set(spelt.values())) == len(spelt):
        return []
    groups: dict[str, list[str]] = {}
    for name in names:
        if name in spelt:
            groups.setdefault(spelt[name], []).append(name)
    found = [
        group
        for _, group in sorted(groups.items())
        if len(group) > 1
        and (not among or not among.isdisjoint(group))
        and (told is None or len({told[name] for name in group}) > 1)
    ]
    return [", ".join(map(_escaped, sorted(group))) for group in found[:20]]


def _all_as_seen(names: list[str]) -> dict[str, str]:
    """What a reader sees of each name; those of ASCII are translated in one go."""
    plain = [name for name in names if name.isascii() and name.isprintable()]
    seen = "\n".join(plain).translate(_prototypes()[0]).split("\n") if plain else []
    found = dict(zip(plain, (" ".join(one.split()) for one in seen), strict=True))
    return {name: found[name] if name in found else _as_seen(name) for name in names}


def _as_seen(name: str, ascii_too: bool = True) -> str:
    """What a reader sees: the skeleton of Unicode's UTS #39, and one space for any white space.

    Without `ascii_too` a letter of ASCII is taken for no other one, so that `I` and `1` differ.
    """
    table = _prototypes()[0 if ascii_too else 1]
    if not (name.isascii() and name.isprintable()):
        bare = "".join(
            " " if blank(sign) else sign for sign in name if blank(sign) or not no_shape(sign)
        )
        form: Literal["NFD", "NFKD"] = "NFD" if ascii_too else "NFKD"
        name = unicodedata.normalize("NFD", unicodedata.normalize(form, bare).translate(table))
    elif ascii_too:
        name = name.translate(table)
    return " ".join(name.split())


@cache
def _prototypes() -> tuple[dict[int, str], dict[int, str]]:
    """By sign what it is confusable with, by UTS #39: of all signs, and of those beyond ASCII.

    The package gives pairs both ways. Each sign has one prototype, so one that stands in a
    single pair is what looks like the other; of two such the earlier one is the prototype.
    """
    from confusable_homoglyphs.confusables import confusables_data

    pairs = {
        sign.replace(_MARK, ""): {other["c"].replace(_MARK, "") for other in others}
        for sign, others in confusables_data.items()
    }
    prototype: dict[int, str] = {}
    for sign, others in pairs.items():
        if len(sign) > 1 or len(others) > 1:
            continue
        (other,) = others
        if len(other) > 1 or len(pairs.get(other, ())) > 1 or other < sign:
            prototype[ord(sign)] = other
    every = {sign: other.translate(prototype) for sign, other in prototype.items()}
    return every, {sign: other for sign, other in every.items() if sign > 127}


_MARK = "\u200e"
"""Left-to-right mark: stands about letters written from right to left in the package's table."""


def _escaped(name: str) -> str:
    """A name, and where it is not plain ASCII its signs written out beside it."""
    plain = name.isascii() and name.isprintable()
    return name if plain else f"{visible(name)} ({name.encode('unicode_escape').decode()})"


def words_of_rules(
    tables: Mapping[str, pd.DataFrame], rules: Rules, rules_file: str, ledger: Ledger
) -> None:
    """Report kinds in the study's own rules that nothing in the study has.

    A limit of separation or crossing between kinds holds for segments only. A word there that
    can never be the kind of one (a role, a plural, the kind of a tower) is a problem, since the
    limit would hold for nothing. Any other word that nothing in the study has gets a note, since
    rules are shared between studies.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        One table per role.
    rules : Rules
    rules_file : str
        Name of the file in messages.
    ledger : Ledger
        Collects problems and notes.
    """
    own = rules.own()
    segments = _kinds(tables, ("segments",))
    for service, limits in sorted(own.get("services", {}).items()):
        for key in ("separation_m", "forbid_cross"):
            pairs = limits.get(key)
            if not isinstance(pairs, dict | list | tuple):
                continue
            words = {word.strip() for pair in pairs for word in str(pair).split("/")}
            _tell_words(words, segments, f"services.{service}.{key}", rules_file, ledger)
    everything = {*_kinds(tables, ASSET_ROLES), *ASSET_ROLES}
    for section, words, known in (
        ("failures", set(own.get("failures", {})), everything),
        *_record_words(own.get("records", {}), everything, _kinds(tables, ("equipment",))),
        (
            "fibres",
            set(own.get("fibres", {})),
            set(tables["cables"]["fibre_type"].dropna()),
        ),
        ("reliance.ignore_kinds", set(rules.reliance.ignore_kinds), everything),
        ("groups.excuse", set(rules.groups.excuse), everything),
    ):
        none = sorted(words - known)
        if none:
            near = did_you_mean(none[0], known) if len(none) == 1 else ""
            ledger.note(
                f"{rules_file}: nothing in the study is {listed(map(repr, none))}, which stands "
                f"in [{section}]{near}"
            )


def _record_words(
    own: Mapping[str, object], everything: set[str], equipment: set[str]
) -> Iterator[tuple[str, set[str], set[str]]]:
    """Words of `[records]` with what they may be: section, words, kinds and roles."""
    for key in ("within", "needs", "delay_us"):
        table = own.get(key)
        if isinstance(table, dict):
            known = {*equipment, "equipment"} if key == "delay_us" else everything
            yield f"records.{key}", set(table) - {"other"}, known
    passive = own.get("passive")
    if isinstance(passive, list | tuple):
        yield "records.passive", {str(word) for word in passive}, equipment


def _tell_words(
    words: Collection[str], kinds: Collection[str], key: str, rules_file: str, ledger: Ledger
) -> None:
    """Report words that should be kinds of segments and are none."""
    known = {*KINDS["segments"], *kinds}
    elsewhere = {kind for role, mine in KINDS.items() if role != "segments" for kind in mine}
    for word in sorted(set(words) - known):
        bare = word.lower()
        singular = {bare, bare.removesuffix("s"), bare.removesuffix("es")} & known
        if bare in ROLES or bare in elsewhere or singular:
            near = f"; did you mean {sorted(singular)[0]!r}?" if singular else ""
            ledger.problem(
                f"expected kinds of segments ({', '.join(KINDS['segments'])}); {word!r} is none"
                f"{near or did_you_mean(word, known)}",
                file=rules_file,
                column=key,
            )
        else:
            ledger.note(
                f"{rules_file}: no segment is of kind {word!r}, so that its limit in {key} holds "
                f"for nothing{did_you_mean(word, known)}"
            )


def note_words(tables: Mapping[str, pd.DataFrame], ledger: Ledger) -> None:
    """Note kinds that hazards take and nothing has, and supplies that stand at other sites.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        One table per role.
    ledger : Ledger
        Collects the notes.
    """
    hazards = tables["hazards"]
    kinds = _kinds(tables, ("sites", "structures", "segments"))
    taken = hazards["takes"].dropna().str.split(LIST_SEPARATOR).explode()
    for word, rows in taken.groupby(taken, sort=True):
        if word not in kinds and word != KNOWN_EMPTY:
            names = hazards["id"].loc[rows.index].dropna().tolist()
            meant = did_you_mean(str(word), kinds)
            what = (
                f"hazards {listed(names, 5)} take" if len(names) > 1 else f"hazard {names[0]} takes"
            )
            ledger.note(
                f"{what} {word!r}, and no site, structure or segment is of that kind{meant}"
            )
    _note_fed_from_afar(tables, ledger)


def _note_fed_from_afar(tables: Mapping[str, pd.DataFrame], ledger: Ledger) -> None:
    """Note equipment with a supply on another site, unless one site lies in the other."""
    site_of = tables["supplies"].set_index("id")["site"].dropna().to_dict()
    outer = tables["sites"].set_index("id")["within"].dropna().str.split(LIST_SEPARATOR).to_dict()

    def around(site: str) -> set[str]:
        found, waiting = {site}, [site]
        while waiting:
            fresh = [one for one in outer.get(waiting.pop(), ()) if one not in found]
            found.update(fresh)
            waiting += fresh
        return found

    equipment = tables["equipment"]
    fed = equipment[equipment["supplies"].notna() & equipment["site"].notna()]
    told = []
    for name, site, supplies in zip(fed["id"], fed["site"], fed["supplies"], strict=True):
        for supply in supplies.split(LIST_SEPARATOR):
            other = site_of.get(supply)
            if other is None or other == site or other in around(site) or site in around(other):
                continue
            told.append(f"{name} at {site} by {supply} at {other}")
    if told:
        ledger.note(f"fed from another site: {listed(sorted(told), 10)}")


def _kinds(tables: Mapping[str, pd.DataFrame], roles: Collection[str]) -> set[str]:
    """The kinds that the rows of some roles have."""
    return {
        str(kind)
        for role in roles
        if "kind" in ROLES[role].column
        for kind in tables[role]["kind"].dropna().unique()
    }
