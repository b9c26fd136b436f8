"""Parameters of a construction as a person reads them: words and units in place of the project file's keys."""

from typing import Any

UNITS = (  # longest endings first
    ("_pa_s_m2", "Pa s/m²"),
    ("_pa_s_m", "Pa s/m"),
    ("_kg_m2", "kg/m²"),
    ("_kg_m3", "kg/m³"),
    ("_pa_m", "Pa/m"),
    ("_pa", "Pa"),
    ("_m2", "m²"),
    ("_m", "m"),
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
    return "; ".join(f"{_name(key)} {_value(key, value)}" for key, value in values.items())


def _name(key: str) -> str:
    ending = next((ending for ending, _ in UNITS if key.endswith(ending)), "")
    return NAMES.get(key) or key.removesuffix(ending).replace("_", " ")


def _value(key: str, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
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


def _figure(value: float) -> str:
    """Plain digits up to a million, then in millions and thousand millions."""
    for size, word in ((1e9, "thousand million"), (1e6, "million")):
        if abs(value) >= size:
            return f"{value / size:.4g} {word}"
    return f"{value:.7g}"
