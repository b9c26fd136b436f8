"""How well a study keeps its workers busy: a study of small jobs on local processes, against the jobs' own times.

    python -m benchmarks.study_scaling [--rooms 300] [--workers 2]

Verified first: the results are those of the same rooms done one after another in this process, bit for bit (of every
tenth room). Then the parallel efficiency, the sum of the jobs' own times over workers times wall time, from the first
process started to the results file written; at least 0.9 is wanted. Jobs time themselves in their workers. Where other
programs share the processors, their times are in both: the second figure is of processor time alone, the jobs' share of
all that the run used.
"""

import argparse
import os
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

from roommodes.studies.reading import parse_study
from roommodes.studies.results import write_study
from solvers.search.kernels.compiled import compile_once
from solvers.study.compare import compare, comparison_columns
from solvers.study.job import do_job, run_job
from solvers.study.run import plan_study, results_of, run_jobs
from solvers.study.store import opened, store_of
from solvers.study.workers import LocalCrew

WANTED = 0.9
STUDY = """
format = 1
name = "scaling"
seed = 1
[rooms]
design = "sobol"
count = {rooms}
length_m = {{ from = 4.6, to = 7.6 }}
width_m = {{ from = 3.5, to = 5.4 }}
height_m = {{ from = 2.3, to = 2.8 }}
loss_factor = 0.01
[[builds]]
name = "boarded"
front = "plasterboard on studs"
rear = "plasterboard on studs"
ceiling = "plasterboard on battens"
[[seatings]]
name = "two rows"
rows = [
  {{ x_fraction = 0.5, y_fraction = [0.34, 0.5, 0.66], ear_height_m = 1.05 }},
  {{ x_fraction = 0.72, y_fraction = [0.34, 0.5, 0.66], ear_height_m = 1.3 }},
]
[[strategies]]
name = "two midpoints"
subs = 2
positions = "given"
at_fraction = [[0, 0.5, 0], [1, 0.5, 0]]
adjust = ["delays", "gains", "polarity"]
[[strategies]]
name = "four corners"
subs = 4
positions = "corners"
adjust = ["delays", "polarity"]
[[strategies]]
name = "two along the walls"
subs = 2
positions = "free"
adjust = ["delays", "polarity"]
"""


def processor_s() -> float:
    """Processor time of this process and of its children that have ended [s]."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def main() -> int:
    """Run it, verify it, print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rooms", type=int, default=300)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    compile_once()
    plan = plan_study(parse_study(STUDY.format(rooms=asked.rooms), source="study_scaling"))
    with TemporaryDirectory() as folder:
        target = Path(folder) / "study.h5"
        began, began_cpu = perf_counter(), processor_s()
        with opened(store_of(target), target):
            records, failures = run_jobs(
                plan,
                store_of(target),
                LocalCrew(run_job, asked.workers),
                finished={},
            )
            results = results_of(plan, records, failures)
            write_study(target, results, comparison_columns(results, compare(results)), force=False)
        wall_s, cpu_s = perf_counter() - began, processor_s() - began_cpu
    if failures:
        print(f"{len(failures)} jobs failed: {next(iter(failures.values()))}")
        return 1
    for job in plan.jobs[::10]:
        if do_job(job.text, job.key).checksum != records[job.key].checksum:
            print(f"{job.title}: not what this process finds alone; nothing is timed")
            return 1
    jobs_s = sum(record.seconds for record in records.values())
    jobs_cpu_s = sum(record.cpu_seconds for record in records.values())
    efficiency = jobs_s / (asked.workers * wall_s)
    count = len(plan.jobs)
    print(f"{count} jobs on {asked.workers} workers: {wall_s:.1f} s; {jobs_s / count:.2f} s a job by itself")
    print(f"sum of the jobs' own times {jobs_s:.1f} s: parallel efficiency {efficiency:.3f} ({WANTED:g} wanted)")
    print(f"processor time: jobs {jobs_cpu_s:.1f} s of {cpu_s:.1f} s used in all: {jobs_cpu_s / cpu_s:.3f}")
    return 0 if efficiency >= WANTED else 1


if __name__ == "__main__":
    raise SystemExit(main())
