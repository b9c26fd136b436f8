"""A small project with every kind of uncertainty, and the same project written anew for a built room."""

from collections.abc import Sequence

from roommodes.project.constructions import library
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from solvers.tolerance.inputs import Builds, Inputs

SIZE_M = (4.1, 3.2, 2.4)
EARS_M = ((2.2, 0.7, 1.1), (2.2, 1.5, 1.1), (3.1, 2.3, 1.2))
PANE_M = ((0.8, 0.4), (2.4, 2.0))
TOLERANCE = """\
[tolerance]
"""


def project_text(
    *,
    size_m: Sequence[float] = SIZE_M,
    temperature_c: float = 20.0,
    ears_m: Sequence[Sequence[float]] = EARS_M,
    factor: dict[tuple[str, str], float] | None = None,
    tolerance: str = TOLERANCE,
    counts: str = "[1, 2]",
) -> str:
    """The project file of the drawn room, or with the numbers of another."""
    f = factor or {}
    grown = [float(now) / drawn for now, drawn in zip(size_m, SIZE_M, strict=True)]
    pane = [[corner[0] * grown[0], corner[1] * grown[2]] for corner in PANE_M]

    def value(name: str, field: str, drawn: float) -> float:
        return float(drawn * f.get((name, field), 1.0))

    board = library()["plasterboard on battens"].parameters
    glass = library()["glass pane 6 mm"].parameters
    rows = "".join(
        f'[[rows]]\nname = "seat {k}"\nx_m = {x!r}\ny_m = [{y!r}]\near_height_m = {z!r}\n'
        for k, (x, y, z) in enumerate([[float(one) for one in ear] for ear in ears_m])
    )
    return f"""\
format = 1
name = "built room"
[room]
length_m = {float(size_m[0])!r}
width_m = {float(size_m[1])!r}
height_m = {float(size_m[2])!r}
temperature_c = {float(temperature_c)!r}
loss_factor = 0.02
[walls]
rear = "masonry"
ceiling = "board"
[[regions]]
wall = "left"
from_m = {pane[0]!r}
to_m = {pane[1]!r}
construction = "glass"
[constructions.masonry]
kind = "absorption"
alpha = {value("masonry", "alpha", 0.05)!r}
[constructions.board]
kind = "impedance"
mass_kg_m2 = {value("board", "mass_kg_m2", board["mass_kg_m2"])!r}
resistance_pa_s_m = {value("board", "resistance_pa_s_m", board["resistance_pa_s_m"])!r}
stiffness_pa_m = {value("board", "stiffness_pa_m", board["stiffness_pa_m"])!r}
[constructions.glass]
kind = "pane"
thickness_m = {value("glass", "thickness_m", glass["thickness_m"])!r}
youngs_modulus_pa = {value("glass", "youngs_modulus_pa", glass["youngs_modulus_pa"])!r}
poisson = {glass["poisson"]!r}
density_kg_m3 = {glass["density_kg_m3"]!r}
loss_factor = {value("glass", "loss_factor", glass["loss_factor"])!r}
{rows}
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 2.9, 0.3]
spacing_m = 0.9
[[zones]]
name = "rear wall"
from_m = [3.8, 0.3, 0.3]
to_m = [3.8, 2.9, 0.3]
spacing_m = 1.3
[search]
counts = {counts}
band_hz = [25, 80]
points_per_octave = 6
{tolerance}"""


def drawn_project(**changes: str) -> Project:
    """The drawn room."""
    return parse_project(project_text(**changes), source="drawn.toml")


def project_of(inputs: Inputs, builds: Builds, index: int) -> Project:
    """A built room as a project file of its own, read by the usual way."""
    factor = {(one.construction, one.field): float(builds.factor[index, k]) for k, one in enumerate(inputs.properties)}
    text = project_text(
        size_m=builds.size_m[index],
        temperature_c=float(builds.temperature_c[index]),
        ears_m=builds.ear_m[index],
        factor=factor,
    )
    return parse_project(text, source="built.toml")
