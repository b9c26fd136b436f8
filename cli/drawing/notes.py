"""What a sheet says in words of a cabinet: where its acoustic centre is, which spaces must stay free."""

from cli.drawing.objects import VENTILATION, free_faces
from roommodes.lengths import METRIC, Lengths
from roommodes.subwoofer.tables import SubwooferTable

NEEDS = {"d": "the driver", "p": "the port", "dp": "driver and port", VENTILATION: "ventilation of amplifier and vents"}
PLACES = {
    "front": "before the cabinet",
    "rear": "behind the cabinet",
    "left": "left of the cabinet, seen from behind it",
    "right": "right of the cabinet, seen from behind it",
    "top": "above the cabinet",
    "bottom": "under the cabinet",
}
LINES = ("Dashed", "Dotted")  # other spaces, ventilation
DIRECTIONS = (("forward", "back"), ("to the right", "to the left"), ("up", "down"))


def fine_unit(value_m: float, lengths: Lengths) -> str:
    """``120 mm``, or in feet and inches."""
    return lengths.fine(value_m) + ("" if lengths.feet else " mm")


def centre_words(table: SubwooferTable, lengths: Lengths = METRIC) -> str:
    """Where the acoustic centre is in the cabinet."""
    offset = [
        f"{fine_unit(abs(value), lengths)} {words[value < 0.0]}"
        for value, words in zip(table.acoustic_centre_m, DIRECTIONS, strict=True)
        if abs(value) > 0.0005
    ]
    if not offset:
        return "taken as the cabinet's middle"
    return f"{', '.join(offset)} from the cabinet's middle, seen from behind it"


def space_lines(table: SubwooferTable, lengths: Lengths = METRIC) -> list[str]:
    """One line for each space that must stay free, with its key on the drawing."""
    return [
        f"{LINES[key == VENTILATION]}, {key}: keep {fine_unit(depth_m, lengths)} free {PLACES[face]}, for {NEEDS[key]}."
        for key, face, depth_m in free_faces(table)
    ]
