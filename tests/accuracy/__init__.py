"""How accurate the program is, on every photo whose truth is known: ``python -m tests.accuracy``.

::

    truth.py     NAME.truth.json        -> PhotoTruth (true mm)
    run.py       folders                -> photos, truth, results of the program
    match.py     outlines and truth     -> which is which
    compare.py   truth and result       -> Comparison: lost, invented, wrong end, readings, grades
    reading.py   one measurement beside its truth
    places.py    ends and axis          -> readings that tell why a length or a bend is wrong
    grades.py    the grade of the truth beside the grade given
    figures.py   readings               -> bias, RMSE, 95th percentile, coverage, counts
    goals.py     what the figures are held against
    tables.py    figures                -> text and JSON
    worst.py     the largest errors     -> pictures to look at
"""

from tests.accuracy.compare import Comparison, compare
from tests.accuracy.tables import table
from tests.accuracy.truth import PhotoTruth, load_truth

__all__ = ["Comparison", "PhotoTruth", "compare", "load_truth", "table"]
