"""`watch`: how long a save takes, by what it changes.

    python -m benchmarks.watch_speed

The demo's project is edited as a person would and looked at by one watcher, figure drawn, as the command does; each
layout's variation is held against `predict`'s, which takes the model at full precision. The plain alternative is to
check and predict the project anew. CPU time, all threads. Ends with an error if a save takes 2 s or more, or a
variation is off by 0.03 dB.
"""

import sys
from importlib.resources import files
from time import process_time

from cli.figures.side_by_side import side_by_side_page
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from solvers.listening.room import examine
from solvers.plans.by_hand import predict_layout
from solvers.plans.side_by_side import common_band_hz, seen
from solvers.plans.watched import Watcher

MOST_S, WITHIN_DB = 2.0, 0.03
EDITS = (  # what is changed, from what, to what
    ("a gain", "gain_db = [0, 0]", "gain_db = [0, -3]"),
    ("a sub's place", "[0.3, 4.2, 0.3]]\ngain", "[0.3, 3.1, 0.3]]\ngain"),
    ("a row", "x_m = 3.3", "x_m = 3.4"),
    ("a wall", 'rear = "bank of cabinets"', 'rear = "brick"'),
    ("the room's height", "height_m = 2.6\ntemp", "height_m = 2.7\ntemp"),
    ("a zone", "spacing_m = 0.8", "spacing_m = 0.7"),
)


def main() -> int:
    """Print the table; 1 if out of bounds."""
    text = files("roommodes.project").joinpath("demo.toml").read_text(encoding="utf-8")
    watcher, fine = Watcher(), True
    before = look(watcher, parse_project(text, source="demo"))
    begun = process_time()
    project = parse_project(text, source="demo")
    examine(project)
    predict_layout(project)
    plain = process_time() - begun
    print(f"checked and predicted anew: {plain:.2f} s of CPU")
    print(f"{'changed':20s} {'CPU s':>6s}  {'ratio':>5s}  worked out             variation off by [dB]")
    for name, old, new in EDITS:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
        begun = process_time()
        project = parse_project(text, source="demo")
        now = look(watcher, project)
        side_by_side_page(["before", "now"], [before[1], now[1]], ".png")
        spent = process_time() - begun
        off = abs(now[1].variation_db - predict_layout(project).variation_db)
        fine &= spent < MOST_S and off < WITHIN_DB
        worked = ", ".join(now[0]) or "nothing"
        print(f"{name:20s} {spent:6.2f}  {plain / spent:5.1f}  {worked:22s} {off:.4f}")
        before = now
    return 0 if fine else 1


def look(watcher: Watcher, project: Project):  # type: ignore[no-untyped-def]
    """What was worked out, and the layout as it is shown."""
    found = watcher.look(project)
    assert found.plan is not None, "the demo has a layout"
    return found.computed, seen(found.plan, common_band_hz([found.plan]))


if __name__ == "__main__":
    sys.exit(main())
