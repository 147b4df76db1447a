"""Spellings that a person misreads: kinds in capitals, ids that only look alike."""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Mapping

import pandas as pd

from waysapart.schema import ASSET_ROLES
from waysapart.study.ledger import Ledger, listed, printable

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

_LATIN = str.maketrans(
    "АВЕКМНОРСТХУІЈЅавеокрсухіјѕΑΒΕΖΗΙΚΜΝΟΡΤΥΧοινρ",
    "ABEKMHOPCTXYIJSaBeokpcyxijsABEZHIKMNOPTYXoivp",
)
"""Cyrillic and Greek letters to the Latin ones that they look like."""


def settled_kinds(role: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with known kinds in lower case, so that `DUCT` counts as a duct.

    A kind decides which structures a segment passes; words that are not known
    kinds stay as they are.
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
        ("assets", assets),
        ("links", tables["links"]["id"]),
        ("circuits", tables["circuits"]["id"]),
    ):
        _note_alike(label, ids.dropna().drop_duplicates(), ledger)


def _note_alike(label: str, ids: pd.Series, ledger: Ledger) -> None:
    for pair in _same_after(ids, ids.str.lower()):
        ledger.note(f"ids of {label} that differ in case only: {pair}")
    if "".join(ids.tolist()).isascii():
        return
    odd = ids[~ids.map(str.isascii).astype(bool)]
    hidden = odd[odd.map(_hides).astype(bool)]
    for id_ in hidden.head(20):
        ledger.note(
            f"the id {printable(_escaped(id_))} of {label} holds a character that cannot be seen"
        )
    skeletons = ids.copy()
    skeletons[odd.index] = odd.map(_skeleton).astype("str")
    for pair in _same_after(ids, skeletons):
        ledger.note(f"ids of {label} that look alike and are not: {pair}")


def _same_after(ids: pd.Series, folded: pd.Series) -> list[str]:
    """The groups of ids that become one, as text, at most 20 of them."""
    same = folded.duplicated(keep=False)
    groups = ids[same].groupby(folded[same], sort=True)
    return [", ".join(map(_escaped, sorted(group))) for _, group in list(groups)[:20]]


def _hides(id_: str) -> bool:
    return any(unicodedata.category(sign) in {"Cf", "Cc", "Zl", "Zp"} for sign in id_)


def _skeleton(id_: str) -> str:
    seen = "".join(sign for sign in id_ if unicodedata.category(sign) != "Cf")
    return unicodedata.normalize("NFKC", seen).translate(_LATIN)


def _escaped(id_: str) -> str:
    return id_ if id_.isascii() else f"{id_} ({id_.encode('unicode_escape').decode()})"
