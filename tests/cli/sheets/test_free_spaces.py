"""Free spaces before drivers, ports and amplifiers on drawings: where they are, how deep, how they are told."""

from pathlib import Path

import numpy as np
import pytest

from cli.drawing.objects import free_faces, stances
from cli.drawing.papers import SheetWishes
from cli.drawing.primitives import Label
from cli.drawing.sheet import drawing_sheets
from cli.drawing.views import elevation, plan_view, subs_at
from cli.terminal.plan_options import choose_plan
from roommodes.plan.file import write_results
from roommodes.project.reading import parse_project
from tests.rooms import SMALL

from .conftest import project_text, results_of
from .dxf_again import drawn_boxes, view_dxf, words_of


def test_free_space_is_drawn_before_and_behind_each_cabinet(plan_file: Path) -> None:
    """Boxes in the plan view, the model in millimetres: 60 toward where it faces, 70 toward the wall behind."""
    plan = choose_plan(plan_file, subs=4)
    model = view_dxf(plan_view(plan, 50.0)).modelspace()
    cabinets, before, behind = (drawn_boxes(model, layer) for layer in ("SUBS", "SUB_CLEARANCE", "SUB_VENTILATION"))
    assert len(cabinets) == len(before) == len(behind) == 4
    for sub, (low, high), (b_low, b_high), (a_low, a_high) in zip(stances(plan), cabinets, before, behind, strict=True):
        for one_low, one_high, depth in ((b_low, b_high, 60.0), (a_low, a_high, 70.0)):
            np.testing.assert_allclose(one_high - one_low, (depth, high[1] - low[1]), atol=1e-6)
        toward, away = (high[0], low[0]) if sub.faces == "rear" else (low[0], high[0])
        assert min(abs(toward - b_low[0]), abs(toward - b_high[0])) < 1e-6
        assert min(abs(away - a_low[0]), abs(away - a_high[0])) < 1e-6
        assert not (b_low[0] < high[0] - 1e-6 and b_high[0] > low[0] + 1e-6)


FACES = 'port_clearance_m = 0.12\ndriver_face = "left"\nport_face = "top"\nacoustic_centre_m = [0.0, -0.1, 0.02]'


@pytest.mark.parametrize(("scale", "view_of"), [(50.0, "plan"), (20.0, "left"), (20.0, "rear"), (20.0, "front")])
def test_ports_on_side_and_top_are_drawn_in_every_view(tmp_path: Path, scale: float, view_of: str) -> None:
    """Each space 120 deep before its own face, read back from the DXF in millimetres of the room, and keyed.

    Seen from behind, a cabinet that faces the rear wall has its left at the right wall's side (y grows to the right
    as one faces the front wall), one that faces the front wall at the left wall's side.
    """
    text = project_text().replace("port_clearance_m = 0.06", FACES)
    write_results(tmp_path / "plan.h5", results_of(text), force=False)
    plan = choose_plan(tmp_path / "plan.h5", subs=4)
    view = plan_view(plan, scale) if view_of == "plan" else elevation(plan, scale, view_of)
    document = view_dxf(view)
    model = document.modelspace()

    def across(y0: float, y1: float) -> tuple[float, float]:
        """Along the sheet's x: what the view shows of the room's axis."""
        return {"rear": (4000.0 - y1, 4000.0 - y0), "left": (5200.0 - y1, 5200.0 - y0)}.get(view_of, (y0, y1))

    drawn = [np.concatenate(box) for box in drawn_boxes(model, "SUB_CLEARANCE")]
    subs = stances(plan) if view_of == "plan" else subs_at(plan, view_of)
    assert len(drawn) == 2 * len(subs)
    assert subs
    end_on = view_of in {"front", "rear"}
    for sub in subs:
        (x0, y0, z0), (x1, y1, z1) = (tuple(1e3 * np.array(corner)) for corner in (sub.low_m, sub.high_m))
        beside = (y1, y1 + 120.0) if sub.faces == "rear" else (y0 - 120.0, y0)
        if view_of == "plan":
            expected = [(x0, beside[0], x1, beside[1]), (x0, y0, x1, y1)]  # the one above lies on the cabinet
        else:
            a0, a1 = across(y0, y1) if end_on else across(x0, x1)
            b0, b1 = across(*beside) if end_on else (a0, a1)
            expected = [(b0, z0, b1, z1), (a0, z1, a1, z1 + 120.0)]
        for box in expected:
            assert any(np.allclose(box, one, atol=0.5) for one in drawn), (sub.number, box, drawn)
    keys = set(words_of(document))
    assert keys >= ({"d", "v"} if view_of == "plan" else {"d", "p"} if end_on else {"p", "v"})
    measured = [dimension.get_measurement() for dimension in model.query("DIMENSION")]
    assert min(abs(one - 120.0) for one in measured) < 0.5
    notes = [
        part.text for sheet in drawing_sheets(plan, SheetWishes()) for part in sheet.parts if isinstance(part, Label)
    ]
    assert "Dashed, d: keep 120 mm free left of the cabinet, seen from behind it, for the driver." in notes
    assert "Dashed, p: keep 120 mm free above the cabinet, for the port." in notes
    assert "100 mm to the left, 20 mm up from the cabinet's middle" in " ".join(" ".join(notes).split())


def test_a_face_with_two_needs_and_a_face_without() -> None:
    """Driver and port on one face share a key; without a port the driver alone is named, without clearance nothing."""
    box = "cabinet_m = [0.42, 0.36, 0.44]\n"
    driver = (
        "fs_hz=22\nqes=0.5\nqms=5\nvas_m3=0.1\ncone_area_m2=0.05\nre_ohm=3\nxmax_m=0.014\npower_w=500\nbox_m3=0.05\n"
    )
    for keys, expected in (
        ("", ()),
        ("port_clearance_m = 0.1\n", (("d", "front", 0.1),)),
        ('port_clearance_m = 0.1\nport_face = "rear"\n', (("d", "front", 0.1), ("p", "rear", 0.1))),
        (
            f"port_clearance_m = 0.1\n[subwoofer.driver]\n{driver}[subwoofer.port]\narea_m2 = 0.01\ntuning_hz = 22\n",
            (("dp", "front", 0.1),),
        ),
    ):
        table = parse_project(f"{SMALL}[subwoofer]\n{box}{keys}", source="t").subwoofer
        assert free_faces(table) == expected
