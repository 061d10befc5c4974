"""A run over many photos: what is done is skipped, the rest is shared out, answers come in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from grader.batch.keep import FOLDER, Keep, Kept, Line, file_hash, judged_by, key_of, still_holds
from grader.batch.origin import Origin, Origins
from grader.batch.photos import picture_names
from grader.batch.pool import run_tasks
from grader.batch.work import Done, Task
from grader.errors import OutputProblem
from grader.pipeline import Kit
from grader.records import GradedPhoto, SkippedPhoto
from grader.verdict.targets import Targets
from grader.write.small import kept_images
from grader.write.told import Look

SAME_PHOTO = "same photo"
"""Reason of a file that holds the same bytes as one before it."""
Tell = Callable[[int, int, Path], None]
"""Told before each photo that is worked on: its place from 1, how many there are, its path."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a whole run goes by."""

    kit: Kit
    """Of photos that name no targets of their own."""
    out: Path
    inputs: tuple[Path, ...] = ()
    board_sha256: str = ""
    """Of the layout file of a board that is not ours."""
    is_fresh: bool = False
    """Measure again what is done."""
    n_workers: int = 1
    look: Look | None = None
    """With it photos that are worked on come back in words too."""


@dataclass(frozen=True, slots=True)
class _Known:
    """A photo before it is worked on."""

    path: Path
    origin: Origin
    kit: Kit
    sha256: str
    """Empty if it cannot be read."""


@dataclass(slots=True)
class Session:
    """Grades photos by a plan; remembers over several calls what it has seen."""

    plan: Plan
    options: Mapping[str, str]
    """Cutter, donor, species of photos of which nothing else is said."""
    load_targets: Callable[[str], Targets]
    _first: dict[tuple[str, str], tuple[Path, Origin]] = field(default_factory=dict)
    _targets: dict[str, Targets] = field(default_factory=dict)
    _origins: Origins = field(init=False)

    def __post_init__(self) -> None:
        self.read_again()

    def read_again(self) -> None:
        """Forget the tables and targets read: somebody may have changed them."""
        self._origins = Origins(self.options)
        self._targets.clear()

    def unmatched(self, photos: Sequence[Path]) -> list[str]:
        """Return a sentence for each line of a table that names no photo."""
        return self._origins.unmatched(photos)

    @property
    def keep(self) -> Keep:
        """Return the folder of kept results."""
        return Keep(self.plan.out)

    def forget(self, path: Path) -> None:
        """Forget a photo that has changed: what it held before may come again under another name."""
        self._first = {same: first for same, first in self._first.items() if first[0] != path}

    def check(self, photos: Sequence[Path]) -> None:
        """Read all that the photos carry: a slip there is better told before an hour of work than after it.

        Raises
        ------
        GraderError
            If a table, a folder's name or targets cannot be understood.
        """
        for path in photos:
            self._kit_for(self._origins.of(path))

    def grade(
        self, photos: Sequence[Path], tell: Tell, names: Mapping[Path, str] | None = None
    ) -> Iterator[Line]:
        """Yield a line a photo, in order; whatever was yielded is kept.

        Raises
        ------
        OutputProblem
            If results cannot be written.
        """
        pictures = names or picture_names(photos, self.plan.inputs)
        ready: dict[int, Line] = {}
        asked: dict[int, Task] = {}

        def tasks() -> Iterator[tuple[int, Task]]:
            for number, path in enumerate(photos):
                answer = self.task_for(path, pictures[path])
                if isinstance(answer, Line):
                    ready[number] = answer
                    continue
                asked[number] = answer
                tell(number + 1, len(photos), path)
                yield number, answer

        following = 0
        for number, done in run_tasks(tasks(), self.plan.n_workers):
            ready[number] = line_of(asked.pop(number), done)
            while following in ready:
                yield ready.pop(following)
                following += 1
        while following in ready:
            yield ready.pop(following)
            following += 1

    def task_for(self, path: Path, picture: str) -> Line | Task:
        """Return what there is to do for a photo, or its line if it is done already.

        Raises
        ------
        GraderError
            If a table, a folder's name or targets cannot be understood.
        """
        return self._without_work(self._known(path), picture)

    def _kit_for(self, origin: Origin) -> Kit:
        if not origin.targets:
            return self.plan.kit
        if origin.targets not in self._targets:
            doubtful = self.plan.kit.targets.doubtful
            self._targets[origin.targets] = replace(self.load_targets(origin.targets), doubtful=doubtful)
        return replace(self.plan.kit, targets=self._targets[origin.targets])

    def _known(self, path: Path) -> _Known:
        origin = self._origins.of(path)
        try:
            # Only plain files: a pipe or a device would be waited for without end.
            sha256 = file_hash(path) if path.is_file() else ""
        except OSError:
            sha256 = ""
        return _Known(path, origin, self._kit_for(origin), sha256)

    def _without_work(self, known: _Known, picture: str) -> Line | Task:
        """Return the line of a photo that needs no work, else the task."""
        plan, batch = self.plan, tuple(known.origin.batch.items())
        same = (known.sha256, judged_by(known.kit.targets))
        if known.sha256:
            first, origin = self._first.setdefault(same, (known.path, known.origin))
            if first != known.path:
                return Line(known.path, batch, skipped=_same_photo(known, first, origin))
        task = Task(known.path, batch, known.kit, plan.board_sha256, plan.out, picture, look=plan.look)
        if not known.sha256 or plan.is_fresh or plan.kit.debug_dir is not None:
            return task
        key = key_of(known.sha256, known.kit.targets, plan.board_sha256)
        kept = self.keep.load(key)
        if kept is None or not still_holds(kept, known.path, known.kit):
            return task
        if isinstance(kept.result, GradedPhoto) and not _is_drawn(kept, plan.out, picture):
            return replace(task, known=replace(kept.result, path=known.path, batch=dict(batch)))
        return Line(known.path, batch, key, is_old=True)


def _is_drawn(kept: Kept, out: Path, picture: str) -> bool:
    """Return whether the marked picture is there as it was drawn, and what the report shows of it."""
    sha256 = kept.picture_sha256
    try:
        if not sha256 or file_hash(out / picture) != sha256:
            return False
    except OSError:
        return False
    return kept_images(out / FOLDER, sha256) is not None


def _same_photo(known: _Known, first: Path, origin: Origin) -> SkippedPhoto:
    here, there = known.origin.batch, origin.batch
    other = [
        f"{key} is {here.get(key, 'not given')} here, {there.get(key, 'not given')} there"
        for key in ("cutter", "donor", "species")
        if here.get(key) != there.get(key)
    ]
    if other:
        advice = f"take one of the two away: {'; '.join(other)}"
    else:
        advice = "nothing, or take one of the two away"
    return SkippedPhoto(
        known.path, SAME_PHOTO, f"this is the same photo as {first}, byte for byte: it is graded once", advice
    )


def line_of(task: Task, done: Done) -> Line:
    """Return the line of a photo that was worked on.

    Raises
    ------
    OutputProblem
        If its results could not be written.
    """
    if done.output_problem is not None:
        raise OutputProblem(*done.output_problem)
    return Line(task.path, task.batch, done.key, done.skipped, text=done.text)
