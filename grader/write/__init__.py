"""Results -> files and terminal: the last stage, the only one that writes.

Everything here takes finished records and adds nothing to them: a picture, ``results.json``, ``cuttings.csv``
and the tables in the terminal can be made again from the same records without measuring.
"""

from grader.write.annotate import annotate, write_picture
from grader.write.files import write_atomic
from grader.write.results import results_of, to_json, write_results
from grader.write.table_csv import csv_text, write_csv
from grader.write.terminal import clean, show, show_photo, summary

__all__ = [
    "annotate",
    "clean",
    "csv_text",
    "results_of",
    "show",
    "show_photo",
    "summary",
    "to_json",
    "write_atomic",
    "write_csv",
    "write_picture",
    "write_results",
]
