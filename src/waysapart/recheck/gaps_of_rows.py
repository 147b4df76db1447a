"""Rows that are faulty by themselves, or that cannot both be true: what becomes of them."""

from __future__ import annotations

from typing import NamedTuple

from waysapart.gaps import GAP_CODES, Limit


class Gap(NamedTuple):
    """A record gap: its code, what it is about, and what it touches.

    `with_groups`: whether a gap of circuits touches their groups as well; `only`: the limits
    that it leaves open where they are fewer than those of its code.
    """

    code: str
    about: str
    assets: tuple[str, ...] = ()
    links: tuple[str, ...] = ()
    circuits: tuple[str, ...] = ()
    path: str | None = None
    with_groups: bool = False
    only: tuple[Limit, ...] | None = None

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The limits whose figures it leaves open."""
        return GAP_CODES[self.code].limits if self.only is None else self.only
