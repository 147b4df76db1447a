"""Comma-, semicolon- or tab-separated text to a raw frame with line numbers, and back to a file."""

from __future__ import annotations

import csv
import io
import re
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from waysapart.errors import Problem
from waysapart.opening import check_columns, check_header, read_bytes
from waysapart.schema import csv_meant, csv_safe
from waysapart.study.filters import filtered
from waysapart.study.raw import ROW, RawLayer, SourceError, fault

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from waysapart.study.raw import InputFile, LayerSpec

_DELIMITERS = (",", ";", "\t")
_LINE_ENDS = re.compile(r'((?:^|(?<=[,;\t\r\n]))"[^"]*(?:""[^"]*)*")|\r\n?')
"""A quoted cell, which keeps its line ends, or a line end other than a line feed."""


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write a frame as CSV in UTF-8, every text and name of a column marked by `csv_safe`."""
    written = frame.rename(columns=lambda name: csv_safe(str(name)))
    for place in range(written.shape[1]):
        column = written.iloc[:, place]
        if not pd.api.types.is_numeric_dtype(column):
            told = [csv_safe(one) if isinstance(one, str) else one for one in column]
            written.isetitem(place, pd.array(told, dtype=object))
    written.to_csv(path, index=False, encoding="utf-8")


def read_csv(spec: LayerSpec, inputs: tuple[InputFile, ...]) -> RawLayer:
    """Read a CSV file, every value as text; `_row` is the line on which a row starts.

    Apostrophes with which `write_csv` keeps a text from being a formula are taken away.
    """
    before = csv.field_size_limit(
        min(sys.maxsize, 2**31 - 1)
    )  # a cable's line may take more than 131072 signs
    try:
        return _read_csv(spec, inputs)
    except csv.Error as error:
        raise fault(spec, f"is no CSV that can be read: {error}") from error
    finally:
        csv.field_size_limit(before)


def _read_csv(spec: LayerSpec, inputs: tuple[InputFile, ...]) -> RawLayer:
    data = read_bytes(spec.path)
    if (at := data.find(b"\x00")) >= 0:
        what = "UTF-16 text" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "no text"
        raise fault(
            spec,
            f"is {what}: byte {at + 1:,} is nought; save it as CSV in UTF-8",
            row=data.count(b"\n", 0, at) + 1,
        )
    notes: tuple[str, ...] = ()
    encoding = "UTF-8"
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text, encoding = data.decode("cp1252"), "Windows-1252"
        except UnicodeDecodeError:
            text, encoding = data.decode("latin-1"), "Latin-1"
        notes = (f"{spec.source} is not UTF-8; read as {encoding}",)
    if '"' in text and "\r" in text:
        text = _LINE_ENDS.sub(lambda found: found[1] or "\n", text)
    else:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    blank_before = len(text) - len(text.lstrip("\n"))
    text = text[blank_before:]
    if not text.strip():
        raise fault(spec, "the file is empty; it needs a header line")
    check_header(text)
    delimiter = _delimiter(text)
    header_reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    header = [csv_meant(name).strip() for name in next(header_reader)]
    while header and not header[-1]:
        header.pop()
    check_columns(len(header))
    twice = sorted(name for name, count in Counter(header).items() if count > 1)
    if twice:
        raise fault(
            spec,
            f"the header names {', '.join(map(repr, twice))} more than once; rename one of them",
            row=1 + blank_before,
        )
    _check_widths(spec, text, delimiter, len(header), blank_before)
    lines = text.count("\n", 0, _header_end(text, header_reader.line_num))
    frame = pd.read_csv(
        io.StringIO(text),
        sep=delimiter,
        header=0,  # read, so that rows shorter than it are filled up
        names=header,
        usecols=range(len(header)),
        dtype=str,
        keep_default_na=False,
        na_values=[""],
        skip_blank_lines=False,
        index_col=False,
        low_memory=False,
    )
    starts = _record_lines(text, delimiter, len(frame), lines) + blank_before
    filled = frame.notna().any(axis=1).to_numpy() if header else np.zeros(0, dtype=bool)
    frame = frame[filled].reset_index(drop=True)
    if "'" in text:
        for name in header:
            marked = frame[name].str.contains("'", regex=False, na=False)
            if marked.any():
                frame[name] = frame[name].where(~marked, frame[name].map(csv_meant, "ignore"))
    frame[ROW] = starts[filled]
    if spec.where:
        frame = filtered(spec, frame)
    return RawLayer(frame, None, None, inputs, notes)


def _delimiter(text: str) -> str:
    """The one of `,`, `;` and tab that stands most often in the header, outside quotes."""
    outside = "".join(text.split("\n", 1)[0].split('"')[::2])
    return max(_DELIMITERS, key=outside.count)


def _header_end(text: str, header_lines: int) -> int:
    end = 0
    for _ in range(header_lines):
        at = text.find("\n", end)
        if at < 0:
            return len(text)
        end = at + 1
    return end


def _check_widths(
    spec: LayerSpec, text: str, delimiter: str, width: int, blank_before: int
) -> None:
    """Refuse lines with more values than the header has names: nothing is dropped unseen.

    Whole text at once where no quotes are about, which is nearly always.
    """
    if _most_on_a_line(text, delimiter) < width and '"' not in text:
        return
    problems = []
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    before = 0
    for fields in reader:
        if len(fields) > width and any(value.strip() for value in fields[width:]):
            problems.append(
                Problem(
                    f"expected {width} values as in the header, found {len(fields)}; "
                    f"a value that holds {delimiter!r} must stand in double quotes",
                    spec.source,
                    spec.layer or spec.role,
                    before + 1 + blank_before,
                )
            )
        before = reader.line_num
    if problems:
        raise SourceError(*problems)


def _most_on_a_line(text: str, sign: str) -> int:
    """How often an ASCII sign stands on the line that has most of it."""
    data = np.frombuffer(text.encode(), dtype=np.uint8)
    signs, ends = np.flatnonzero(data == ord(sign)), np.flatnonzero(data == ord("\n"))
    before = np.concatenate([[0], np.searchsorted(signs, ends), [len(signs)]])
    return int(np.diff(before).max())


def _record_lines(text: str, delimiter: str, records: int, header_lines: int) -> NDArray[np.int64]:
    """Line on which each record starts, the file's first line being 1."""
    body_lines = text.count("\n") + (not text.endswith("\n")) - header_lines
    if records == body_lines:
        return np.arange(records, dtype=np.int64) + header_lines + 1
    starts = []
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    before = 0
    for _fields in reader:
        starts.append(before + 1)
        before = reader.line_num
    return np.asarray(starts[1 : records + 1], dtype=np.int64)
