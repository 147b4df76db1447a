"""Number the fibres of sheets that name them by tube and colour.

    python examples/awkward/number_fibres.py SHEET.csv NUMBERED.csv

Every pair of columns that end in TUBE and FIBER gets a third beside it, which ends in NUMBER and
counts over the whole cable: with tubes of 12, tube 2 (orange) fibre 3 (green) is 15. Change
`COLORS` and `PER_TUBE` to what your cables have.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

COLORS = ("BL", "OR", "GR", "BR", "SL", "WH", "RD", "BK", "YL", "VI", "RS", "AQ")
"""Blue, orange, green, brown, slate, white, red, black, yellow, violet, rose, aqua: the order of
TIA-598, from memory, not checked against the standard."""
PER_TUBE = 12


def number(tube: str, fiber: str) -> int:
    """Number of a fibre, counted from 1 over the whole cable."""
    return PER_TUBE * COLORS.index(tube) + COLORS[:PER_TUBE].index(fiber) + 1


def number_sheet(sheet: Path, numbered: Path) -> None:
    """Write the sheet with the numbers beside the colours."""
    with sheet.open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    for line, row in enumerate(rows, start=2):
        for column in [one for one in row if one.endswith("TUBE")]:
            start = column.removesuffix("TUBE")
            try:
                row[f"{start}NUMBER"] = str(number(row[column], row[f"{start}FIBER"]))
            except ValueError:
                sys.exit(f"{sheet}, row {line}: no such colour; known are {' '.join(COLORS)}")
    with numbered.open("w", newline="", encoding="utf-8-sig") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    number_sheet(Path(sys.argv[1]), Path(sys.argv[2]))
