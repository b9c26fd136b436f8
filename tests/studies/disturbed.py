"""A run of a study in a process of its own, to be killed: python -m tests.studies.disturbed STUDY OUTPUT WORKERS"""

import sys
from pathlib import Path

from roommodes.studies.reading import load_study
from roommodes.studies.results import write_study
from solvers.study.compare import compare, comparison_columns
from solvers.study.run import finished_jobs, plan_study, results_of, run_jobs
from solvers.study.store import opened, store_of
from solvers.study.workers import LocalCrew
from tests.studies.texts import slow_job


def main(study_file: str, output: str, workers: str) -> None:
    plan, target = plan_study(load_study(study_file)), Path(output)
    store = store_of(target)
    with opened(store, target):
        finished = finished_jobs(plan, store)
        crew = LocalCrew(slow_job, int(workers))
        records, failures = run_jobs(plan, store, crew, finished=finished)
        results = results_of(plan, records, failures)
        write_study(target, results, comparison_columns(results, compare(results)), force=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
