"""Values of the project file as a person reads them: words and units in place of its keys."""

from collections.abc import Sequence
from typing import Any

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


def parameter_words(values: dict[str, Any]) -> str:
    """Every parameter with its unit: {"mass_kg_m2": 8.5} is "mass 8.5 kg/m²"."""
    return "; ".join(f"{parameter_name(key)} {parameter_value(key, value)}" for key, value in values.items())


def parameter_name(key: str) -> str:
    """A key in words, without its unit."""
    ending = next((ending for ending, _ in UNITS if key.endswith(ending)), "")
    return NAMES.get(key) or key.removesuffix(ending).replace("_", " ")


def parameter_value(key: str, value: Any) -> str:
    """A value with its unit, which ends the key: lists with commas, a curve by its points."""
    if isinstance(value, list | tuple):
        return _listed(key, value)
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
    if unit == "m" and abs(value) < 0.1:
        return f"{round(1e3 * value, 3):g} mm"
    return " ".join(filter(None, (_figure(value), unit)))


def _listed(key: str, values: Sequence[Any]) -> str:
    """Several values with one unit; lists in it in brackets."""
    unit = next((unit for ending, unit in UNITS if key.endswith(ending)), "")
    texts = [parameter_value("", one) for one in values]
    return " ".join(filter(None, (f"[{', '.join(texts)}]" if texts else "none", unit)))


def _figure(value: float) -> str:
    """Plain digits up to a million, then in millions and thousand millions."""
    for size, word in ((1e9, "thousand million"), (1e6, "million")):
        if abs(value) >= size:
            return f"{value / size:.4g} {word}"
    return f"{value:.7g}"
