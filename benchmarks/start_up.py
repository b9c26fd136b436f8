"""What `roommodes --help` and `import roommodes` cost beside `python -c pass`, in processor time.

    python -m benchmarks.start_up [RUNS]

The three take turns, so that other work on the machine meets all of them alike; the figure is the median of user and
system time together.
"""

import resource
import statistics
import subprocess
import sys
from collections.abc import Sequence

COMMANDS = {
    "python -c pass": [sys.executable, "-c", "pass"],
    "import roommodes": [sys.executable, "-c", "import roommodes"],
    "roommodes --help": [sys.executable, "-m", "cli", "--help"],
}


def cpu_seconds(command: Sequence[str]) -> float:
    """User and system time of one run [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(runs: int) -> None:
    """Print the medians and their ratios to an empty start."""
    seconds: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(runs):
        for name, command in COMMANDS.items():
            seconds[name].append(cpu_seconds(command))
    empty = statistics.median(seconds["python -c pass"])
    for name, each in seconds.items():
        median = statistics.median(each)
        print(f"{name:18} {1e3 * median:6.0f} ms  {median / empty:5.1f} times")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
