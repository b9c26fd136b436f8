"""What running a finished study again costs, and opening its results: by the number of rooms.

    python -m benchmarks.study_resume [ROOMS ...]

Every job is done by itself first, then the same command is run again, in a process of its own: everything is finished,
so that all it takes is what resuming costs. CPU time is that process's, start of Python included; so is the memory.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

STUDY = """\
format = 1
name = "many small rooms"
seed = 3
[rooms]
design = "sobol"
count = {count}
length_m = {{ from = 4.2, to = 6.8 }}
width_m = {{ from = 3.2, to = 5.0 }}
height_m = [2.4, 2.7]
[[builds]]
name = "brick"
front = "brick"
rear = "plasterboard on studs"
[[seatings]]
name = "two rows"
[[seatings.rows]]
x_fraction = 0.45
y_fraction = [0.3, 0.5, 0.66]
ear_height_m = 1.1
[[seatings.rows]]
x_fraction = 0.7
y_fraction = [0.3, 0.5, 0.66]
ear_height_m = 1.1
[[strategies]]
name = "corner"
subs = 1
positions = "given"
at_fraction = [[0, 0, 0]]
[[strategies]]
name = "two midpoints"
subs = 2
positions = "given"
at_fraction = [[0, 0.5, 0], [1, 0.5, 0]]
[search]
band_hz = [25, 80]
points_per_octave = 6
"""


def timed(folder: Path, *words: str) -> tuple[float, float]:
    """(CPU seconds, peak MB) of one command."""
    code = (
        "import resource, sys; from cli.main import app\n"
        "try:\n    app(sys.argv[1:])\nexcept SystemExit as ended:\n    code = ended.code\n"
        "used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]\n"
        "print(code or 0, sum(u.ru_utime + u.ru_stime for u in used), used[0].ru_maxrss / 1024.0, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], cwd=folder, capture_output=True, text=True, check=True)
    ended, cpu_s, peak_mb = done.stderr.strip().splitlines()[-1].split()
    if ended != "0":
        raise SystemExit(done.stderr)
    return float(cpu_s), float(peak_mb)


def main(counts: list[int]) -> None:
    """One line for each number of rooms."""
    print("| rooms | first run | again | opened | peak again | results |")
    for count in counts:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "s.toml").write_text(STUDY.format(count=count), encoding="utf-8")
            first_s, _ = timed(folder, "study", "s.toml", "--workers", "1", "--quiet")
            before = (folder / "s.h5").read_bytes()
            again_s, again_mb = timed(folder, "study", "s.toml", "--workers", "1", "--quiet")
            if (folder / "s.h5").read_bytes() != before:
                raise SystemExit("NOT TIMED: the second run changed the results")
            open_s, _ = timed(folder, "study", "s.h5", "--quiet")
            size_mb = (folder / "s.h5").stat().st_size / 1e6
        print(
            f"| {count} | {first_s:.1f} s | {again_s:.1f} s | {open_s:.1f} s | {again_mb:.0f} MB | {size_mb:.1f} MB |"
        )


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [100, 300])
