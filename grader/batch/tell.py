"""What a run says while it goes, and what it writes at its end."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from calib.design import CHECK_BAR_MM
from grader.batch.keep import Keep, KeptResults, Line, result_of
from grader.batch.request import Request
from grader.errors import OutputProblem
from grader.pipeline import Kit
from grader.write.tables import CSV_NAME, RESULTS_NAME, Tables, write_tables
from grader.write.terminal import Tally, clean, summary
from grader.write.told import Look, PhotoText, photo_text


class Teller:
    """Shows each photo as soon as it is done; progress goes to stderr, results to stdout."""

    def __init__(self, request: Request, kit: Kit) -> None:
        self._request = request
        self._keep = Keep(request.out)
        self._settings = settings_told(kit, request)
        progress = Console(stderr=True)
        self._status = progress.status("starting") if progress.is_terminal else None
        self.look = Look.of(Console())
        """What the person's terminal can show."""
        self._told_scales: set[str] = set()
        self._tally = Tally()
        self.mats: set[str] = set()
        """Mats seen."""
        self.n_graded = 0

    def working_on(self, index: int, n: int, path: Path) -> None:
        """Say which photo is being graded: a moving line in a terminal, a line a photo elsewhere."""
        text = f"photo {index} of {n}: {clean(path.name)}"
        if self._status is None:
            print(text, file=sys.stderr, flush=True)
        else:
            self._status.update(text)
            self._status.start()

    def begun(self) -> Tables:
        """Return the tables to write while the photos are done.

        Raises
        ------
        OutputProblem
            If they cannot be written.
        """
        return Tables(self._request.out, self._settings)

    def done(self, line: Line, tables: Tables | None = None) -> None:
        """Show a photo that is done, and write it into tables that grow with the run."""
        text = line.text or photo_text(result_of(line, self._keep), self.look)
        self._tally.count(text.is_graded, text.grades, text.n_aside)
        if tables is not None:
            tables.add(text.json, text.csv)
        self.end()
        if text.is_graded:
            self.n_graded += 1
            self.mats.add(text.mat_id)
            if self._request.measured_mm is None:
                self._tell_remembered(text)
        if not self._request.as_json:
            print(text.shown, end="", flush=True)

    def _tell_remembered(self, text: PhotoText) -> None:
        """Say once for each mat that a check bar of an earlier run is used: another print may differ."""
        if text.mat_id in self._told_scales or text.print_scale_source != "check bar typed":
            return
        self._told_scales.add(text.mat_id)
        bar_mm = text.print_scale * CHECK_BAR_MM
        print(
            f"mat {clean(text.mat_id)}: using its check bar of {bar_mm:g} mm, measured earlier "
            "(for a new print give --measured, or --forget)",
            file=sys.stderr,
        )

    def say(self, sentences: Sequence[str]) -> None:
        """Say something that the person should know."""
        for sentence in sentences:
            print(clean(sentence), file=sys.stderr)

    def stopped(self, n_done: int, n: int) -> None:
        """Say that the person ended the run."""
        self.end()
        self.say([f"stopped: {n_done} of {n} photos are done and kept; the same command goes on from there"])

    def end(self) -> None:
        """Take the moving line away."""
        if self._status is not None:
            self._status.stop()

    def write(self, lines: Sequence[Line]) -> KeptResults:
        """Write the tables from what is kept.

        Raises
        ------
        OutputProblem
            If they cannot be written.
        """
        results = KeptResults(lines, self._keep)
        write_tables(self._request.out, results, self._settings)
        return results

    def finish(self, lines: Sequence[Line], tables: Tables | None) -> None:
        """Finish the tables, and say how it went.

        Parameters
        ----------
        lines : sequence of Line
            All photos.
        tables : Tables or None
            With the same photos; None: they have to be written anew from what is kept.
        """
        from grader.report import report_after_grading

        told = str(self._tally)
        try:
            if tables is not None:
                tables.finish()
        except OutputProblem:
            tables = None  # Somebody took a half-written file away: what is kept may still be there.
        if tables is None:
            told = summary(self.write(lines))
        report_after_grading(self._request.out)
        n_old = sum(line.is_old for line in lines)
        if n_old:
            photos = "photo was" if n_old == 1 else "photos were"
            self.say([f"{n_old} {photos} done before and not measured again (--fresh measures again)"])
        if self._request.as_json:
            with (self._request.out / RESULTS_NAME).open(encoding="utf-8", newline="") as file:
                for text in file:
                    print(text, end="")
            print(told, file=sys.stderr)
        else:
            print(told)
        self.say([f"pictures, {RESULTS_NAME} and {CSV_NAME} are in {self._request.out}"])


def settings_told(kit: Kit, request: Request) -> dict[str, object]:
    """Return what the results say about the run."""
    return {
        "targets": kit.targets.id,
        "targets_file": str(kit.targets.path),
        "targets_sha256": kit.targets.sha256,
        "doubtful": kit.targets.doubtful,
        "mat_layout": str(request.mat) if request.mat else None,
        "measured_check_bar_mm": request.measured_mm,
    }


def interrupted(problem: OutputProblem, n_done: int, n: int) -> OutputProblem:
    """Return a problem with the results together with what it cost."""
    return OutputProblem(
        problem.message,
        f"{problem.advice}; {n_done} of {n} photos are done and kept: the same command goes on from there.",
    )
