"""What a sheet says in words of a cabinet: where its acoustic centre is, which spaces must stay free."""

from cli.drawing.objects import VENTILATION, free_faces
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


def centre_words(table: SubwooferTable) -> str:
    """Where the acoustic centre is in the cabinet."""
    offset = [
        f"{abs(1e3 * value):.0f} mm {words[value < 0.0]}"
        for value, words in zip(table.acoustic_centre_m, DIRECTIONS, strict=True)
        if abs(value) > 0.0005
    ]
    if not offset:
        return "taken as the cabinet's middle"
    return f"{', '.join(offset)} from the cabinet's middle, seen from behind it"


def space_lines(table: SubwooferTable) -> list[str]:
    """One line for each space that must stay free, with its key on the drawing."""
    return [
        f"{LINES[key == VENTILATION]}, {key}: keep {1e3 * depth_m:.0f} mm free {PLACES[face]}, for {NEEDS[key]}."
        for key, face, depth_m in free_faces(table)
    ]
