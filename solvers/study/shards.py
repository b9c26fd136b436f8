"""A study in parts that run by themselves, wherever, and their job files joined."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from roommodes.errors import FileUnusable, OutsideModel
from roommodes.studies.records import JobRecord, software_of
from solvers.study.run import StudyPlan
from solvers.study.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Shard:
    """Every `count`th job, from the `number`th on.

    Parameters
    ----------
    number : from 1.
    count : how many shards the study has.

    Raises
    ------
    OutsideModel : there is no such shard.
    """

    number: int
    count: int

    def __post_init__(self) -> None:
        if not 1 <= self.number <= self.count:
            raise OutsideModel(
                f"shard: got {self.number}/{self.count}; allowed: 1/{self.count} to {self.count}/{self.count}"
            )

    @classmethod
    def of(cls, text: str) -> "Shard":
        """From words as ``3/20``. ValueError where they are others."""
        number, slash, count = text.partition("/")
        if not (slash and number.isdecimal() and count.isdecimal() and 1 <= int(number) <= int(count)):
            raise ValueError(f"got {text!r}; allowed: K/N, as 3/20 for the third of twenty, K from 1 to N")
        return cls(number=int(number), count=int(count))

    def part_of(self, plan: StudyPlan) -> StudyPlan:
        """Its rooms and jobs of a study."""
        own = slice(self.number - 1, None, self.count)
        return replace(plan, rooms=plan.rooms[own], jobs=plan.jobs[own])


def gathered(plan: StudyPlan, folders: Sequence[Path]) -> dict[str, JobRecord]:
    """The finished jobs of a study in several folders, by key; each file is read once, and none is changed.

    Parameters
    ----------
    plan : the study.
    folders : of job files, as shards leave them.

    Raises
    ------
    FileUnusable : a folder is not there, or holds a job of another study, of other software or a damaged one; every
        such folder is told.
    """
    faults: list[str] = []
    found: dict[str, JobRecord] = {}
    keys = {job.key for job in plan.jobs}
    for folder in folders:
        if not folder.is_dir():
            faults.append(f"{folder}: there is no such folder; give those of --jobs, or OUTPUT.jobs")
            continue
        store = Store(folder=folder)
        files = sorted(folder.glob("*.h5"))
        foreign = [file for file in files if file.stem not in keys]
        if foreign:
            faults.append(f"{folder}: {_foreign_words(plan, foreign)}")
            continue
        damaged = []
        for file in files:
            if file.stem in found:
                continue
            record = store.record(file.stem, plan.expected, mend=False)
            if record is None:
                damaged.append(file)
            else:
                found[file.stem] = record
        if damaged:
            faults.append(
                f"{folder}: {len(damaged)} of {len(files)} job files are damaged, as {damaged[0].name}; "
                "run its shard again, which does them anew"
            )
    if faults:
        raise FileUnusable("\n".join(faults))
    return found


def _foreign_words(plan: StudyPlan, files: Sequence[Path]) -> str:
    """Why job files are not this study's."""
    made_by = software_of(files[0])
    count = f"{len(files)} job files are" if len(files) > 1 else "1 job file is"
    if made_by != plan.expected.software:
        return (
            f"{count} of other software, {made_by}; this is {plan.expected.software}; run those rooms with one software"
        )
    return f"{count} of another study, as {files[0].name}; give only folders of this one, its file unchanged"


def failures_of(plan: StudyPlan, records: Mapping[str, JobRecord]) -> dict[str, str]:
    """What to say of the jobs that nobody has done, by key."""
    return {job.key: "in none of the folders" for job in plan.jobs if job.key not in records}
