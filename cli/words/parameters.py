"""Values of the project file as a person reads them: words and units in place of its keys."""

from collections.abc import Sequence
from typing import Any

from roommodes.lengths import METRIC, Lengths

UNITS = (  # longest endings first
    ("_pa_s_m2", "Pa s/m²"),
    ("_pa_s_m", "Pa s/m"),
    ("_kg_m2", "kg/m²"),
    ("_kg_m3", "kg/m³"),
    ("_pa_m", "Pa/m"),
    ("_pa", "Pa"),
    ("_m_s", "m/s"),
    ("_m3", "m³"),
    ("_m2", "m²"),
    ("_ohm", "ohm"),
    ("_deg", "deg"),
    ("_hz", "Hz"),
    ("_ms", "ms"),
    ("_db", "dB"),
    ("_kg", "kg"),
    ("_m", "m"),
    ("_s", "s"),
    ("_w", "W"),
    ("_v", "V"),
    ("_h", "H"),
    ("_c", "°C"),
)
NAMES = {
    "alpha": "absorption",
    "beta_re": "admittance, real part",
    "beta_im": "admittance, imaginary part",
    "poisson": "Poisson's ratio",
    "youngs_modulus_pa": "Young's modulus",
    "radiates": "open air behind it",
}


def parameter_words(values: dict[str, Any], lengths: Lengths = METRIC) -> str:
    """Every parameter with its unit: {"mass_kg_m2": 8.5} is "mass 8.5 kg/m²"; yes and no need no value."""
    return "; ".join(
        f"{'' if value else 'no '}{parameter_name(key)}"
        if isinstance(value, bool)
        else f"{parameter_name(key)} {parameter_value(key, value, lengths)}"
        for key, value in values.items()
    )


def parameter_name(key: str) -> str:
    """A key in words, without its unit."""
    ending = next((ending for ending, _ in UNITS if key.endswith(ending)), "")
    return NAMES.get(key) or key.removesuffix(ending).replace("_", " ")


def parameter_value(key: str, value: Any, lengths: Lengths = METRIC) -> str:
    """A value with its unit, which ends the key: lists with commas, a curve by its points.

    Thicknesses, and what is under 0.1 m, stay in millimetres: so boards, glass and mats are sold.
    """
    if isinstance(value, list | tuple):
        return _listed(key, value, lengths)
    if value is None or isinstance(value, bool):
        return {None: "not given", True: "yes", False: "no"}[value]
    curve = (
        value if isinstance(value, dict) else {"hz": value.hz, "value": value.value} if hasattr(value, "hz") else None
    )
    if curve is not None:  # an object, or as the model dumps it
        return ", ".join(f"{one:g} at {hz:g} Hz" for hz, one in zip(curve["hz"], curve["value"], strict=True))
    unit = next((unit for ending, unit in UNITS if key.endswith(ending)), "")
    if not isinstance(value, int | float):
        return str(value)
    if unit == "m" and (told := _length_words(key, value, lengths)):
        return told
    return _figure(value, unit)


def _length_words(key: str, value: float, lengths: Lengths) -> str:
    """A length in feet, or in millimetres; empty where it is written in metres as other values are."""
    if lengths.feet and not (key.endswith("thickness_m") or 0.0 < abs(value) < 0.1):
        return lengths.text(value)
    return f"{round(1e3 * value, 3):g} mm" if abs(value) < 0.1 else ""


def _listed(key: str, values: Sequence[Any], lengths: Lengths) -> str:
    """Several values with one unit; lists in it in brackets."""
    unit = next((unit for ending, unit in UNITS if key.endswith(ending)), "")
    if unit == "m" and lengths.feet and all(isinstance(one, int | float) for one in values):
        return f"[{', '.join(map(lengths.text, values))}]" if values else "none"
    texts = [parameter_value("", one) for one in values]
    return " ".join(filter(None, (f"[{', '.join(texts)}]" if texts else "none", unit)))


def _figure(value: float, unit: str) -> str:
    """Plain digits up to a million; then millions, or with pascals MPa and GPa."""
    if abs(value) < 1e6:
        return f"{value:.7g} {unit}".rstrip()
    size, prefix, word = (1e9, "G", "thousand million") if abs(value) >= 1e9 else (1e6, "M", "million")
    return f"{value / size:.4g} {prefix + unit if unit.startswith('Pa') else f'{word} {unit}'}".rstrip()
