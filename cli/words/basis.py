"""What a plan's figures rest on, measured responses or the model of the drawn room, said where they are shown."""

from typing import Literal

from cli.terminal.output import counted, name
from roommodes.plan.plan import Results
from roommodes.project.bands.search_grid import weight_words

Responses = Literal["measured", "modelled"]


def responses_word(results: Results) -> Responses:
    """For JSON: whether the seats' responses were measured or come from the model."""
    return "modelled" if results.measured is None else "measured"


def weighting_words(results: Results) -> str:
    """How the frequencies are weighted that variation is taken over; empty where they are not."""
    return weight_words(results.project.search, results.project.mains, results.frequency_hz)


def subs_stand(results: Results) -> bool:
    """Whether the plans are for subs that stand already, as they were measured."""
    return results.measured is not None and not results.measured.exchanged


def stands_key(results: Results) -> str:
    """What heads the names of the subs' places: those of zones, or of measured subs their own."""
    return "name" if subs_stand(results) else "zone"


def cautions_heading(results: Results) -> str:
    """Over the cautions."""
    return "Before it is switched on" if subs_stand(results) else "Before it is built and switched on"


def basis_words(results: Results, model: str = "") -> str | None:
    """A sentence for a person where responses were measured, and what is the model's all the same; else None.

    Parameters
    ----------
    results : with the responses.
    model : such as "The modes are"; completed by whose they are.
    """
    record = results.measured
    if record is None:
        return None
    files = counted(len(record.file_name), "file")
    said = f"From measured responses ({name(record.name)}, {files})."
    return f"{said} {model} the model's, of the room as the project draws it, not measured." if model else said


def reduced_words(error: float) -> str:
    """A sentence on a reduced model's error, over the rms of the receivers; empty where there is none."""
    if error <= 0.0:
        return ""
    return (
        "Responses from a reduced model of the room: within "
        f"{max(100.0 * error, 0.001):.1g} % of their rms at each frequency: three times the largest error expected, or "
        "found against the plan's own field."
    )
