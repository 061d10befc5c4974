"""results.json and cuttings.csv of a run, written together as its photos are done."""

from __future__ import annotations

import codecs
import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Self

from grader.records import PhotoResult
from grader.write.files import GrowingFile
from grader.write.results import ResultsText, photo_json
from grader.write.table_csv import csv_head, csv_rows

RESULTS_NAME = "results.json"
CSV_NAME = "cuttings.csv"


class Tables:
    """Both tables of a run; nobody finds them before they are finished.  Use it with ``with``."""

    def __init__(self, out: Path, settings: Mapping[str, Any]) -> None:
        self._results, self._csv = GrowingFile(out / RESULTS_NAME), GrowingFile(out / CSV_NAME)
        self._text = ResultsText(settings)
        self._open = contextlib.ExitStack()

    def __enter__(self) -> Self:
        """Begin both files.

        Raises
        ------
        OutputProblem
            If they cannot be written.
        """
        with contextlib.ExitStack() as begun:
            begun.enter_context(self._results)
            begun.enter_context(self._csv)
            # The mark at its start tells spreadsheets that it is UTF-8.
            self._csv.add(codecs.BOM_UTF8 + csv_head().encode("utf-8"))
            self._open = begun.pop_all()
        return self

    def add(self, json: str, rows: str) -> None:
        """Write one photo: its part of results.json and its rows of cuttings.csv.

        Raises
        ------
        OutputProblem
            If it cannot be written.
        """
        self._results.add(self._text.photo(json).encode("utf-8"))
        self._csv.add(rows.encode("utf-8"))

    def finish(self) -> None:
        """Give both files their names.

        Raises
        ------
        OutputProblem
            If they cannot be written.
        """
        self._results.add(self._text.end().encode("utf-8"))
        self._results.finish()
        self._csv.finish()

    def __exit__(self, *_: object) -> None:
        """Take away what was not finished."""
        self._open.close()


def write_tables(out: Path, results: Sequence[PhotoResult], settings: Mapping[str, Any]) -> None:
    """Write both tables, each whole or not at all; each result is taken once.

    Raises
    ------
    OutputProblem
        If they cannot be written.
    """
    with Tables(out, settings) as tables:
        for result in results:
            tables.add(photo_json(result), csv_rows(result))
        tables.finish()
