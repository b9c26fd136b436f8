"""Parameters in words: every key of every construction of the library has a unit or is a plain number."""

from cli.words.parameters import UNITS, parameter_words
from roommodes.project.constructions import library


def test_parameters_have_words_and_units() -> None:
    assert parameter_words({"mass_kg_m2": 8.5, "stiffness_pa_m": 1.013e6, "radiates": False}) == (
        "mass 8.5 kg/m²; stiffness 1.013 MPa/m; no open air behind it"
    )
    assert parameter_words({"thickness_m": 0.006, "youngs_modulus_pa": 7e10, "poisson": 0.22}) == (
        "thickness 6 mm; Young's modulus 70 GPa; Poisson's ratio 0.22"
    )
    assert parameter_words({"alpha": {"hz": [63.0, 125.0], "value": [0.1, 0.25]}}) == (
        "absorption 0.1 at 63 Hz, 0.25 at 125 Hz"
    )


def test_no_key_of_the_file_is_left_in_the_library() -> None:
    for construction in library().values():
        words = parameter_words(construction.parameters)
        assert "_" not in words, words
        for key in construction.parameters:
            assert key not in {"kind", "name"}
            assert not any(key == ending.lstrip("_") for ending, _ in UNITS)
