"""What stood in the processor when a plan's responses were measured, and the chain of the next measurement.

Where the manifest's chain was divided out, the plan's settings replace what stood; where it was left in, they add to
it. Both together are what is dialled in, and so what stands in the chain when the room is measured again.
"""

from dataclasses import dataclass

from roommodes.measured.manifest import FilterTable, ManifestTables, MeasuredSubTable, parse_manifest
from roommodes.measured.pattern import chained_manifest
from roommodes.plan.plan import Plan
from roommodes.plan.starting_values import Filter, StartingValues, Total

HIGH, LOW = "high", "low"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """What one output has in the end.

    Parameters
    ----------
    name : of the sub or main loudspeaker.
    stood, whole : before, as far as the settings add to it, and with the settings: gain, delay, polarity and filters.
    """

    name: str
    stood: MeasuredSubTable
    whole: MeasuredSubTable

    @property
    def stood_empty(self) -> bool:
        """Whether nothing stood in it."""
        one = self.stood
        return not (one.gain_db or one.delay_ms or one.polarity < 0 or one.filters)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chains:
    """What all outputs have in the end.

    Parameters
    ----------
    adds : whether the settings add to what stood; else they replace it.
    outputs : subs of the plan in its order, then measured main loudspeakers.
    """

    adds: bool
    outputs: tuple[Chain, ...]


def chains(plan: Plan, values: StartingValues, *, crossover: bool = True) -> Chains:
    """What stands in the processor once the settings are dialled in.

    Parameters
    ----------
    plan : the plan.
    values : its settings.
    crossover : with the halves of its crossover, if it has one.
    """
    tables = measured_tables(plan)
    adds = tables is not None and tables.reference.chain == "left in"
    stood = {one.name: one for one in tables.subs} if tables is not None else {}
    names = plan.zones if tables is not None else tuple(f"sub {sub.number}" for sub in values.subs)
    rate = values.rate_hz
    outputs = [
        _chain(
            name,
            stood.get(name),
            values.total(sub),
            (*(_of_filter(one, rate) for one in sub.filters), *(_half(values, LOW) if crossover else ())),
            position_m=sub.position_m,
            adds=adds,
        )
        for name, sub in zip(names, values.subs, strict=True)
    ]
    for name in plan.measured.main_name if plan.measured is not None else ():
        filters = _half(values, HIGH) if crossover else ()
        outputs.append(_chain(name, stood.get(name), values.mains_total(), filters, position_m=None, adds=adds))
    return Chains(adds=adds, outputs=tuple(outputs))


def next_manifest(plan: Plan, values: StartingValues, *, left_in: bool) -> str:
    """The manifest of the measurement that follows once the settings are dialled in.

    Parameters
    ----------
    plan : the plan.
    values : its settings.
    left_in : whether they stay in the responses, so that these show what was reached; else they are divided out, and
        the crossover must be switched off while subs and mains are measured, since little is left of them beyond it.
    """
    found = chains(plan, values, crossover=left_in)
    return chained_manifest(
        plan.project,
        tuple(one.whole for one in found.outputs),
        seats=plan.seats.name,
        before=measured_tables(plan),
        left_in=left_in,
        crossover=values.common is not None,
    )


def measured_tables(plan: Plan) -> ManifestTables | None:
    """The manifest behind a plan on measurements; None for one of the model."""
    if plan.measured is None:
        return None
    return parse_manifest(plan.measured.manifest_toml, source="the manifest in the plan file")[0]


def _chain(
    name: str,
    known: MeasuredSubTable | None,
    total: Total,
    filters: tuple[FilterTable, ...],
    *,
    position_m: tuple[float, float, float] | None,
    adds: bool,
) -> Chain:
    at = known.position_m if known is not None and known.position_m is not None else position_m
    stood = MeasuredSubTable.model_validate({"name": name} | ({} if at is None else {"position_m": list(at)}))
    if adds and known is not None:
        stood = known.model_copy(update={"position_m": stood.position_m, "checked": ()})
    whole = stood.model_copy(
        update={
            "gain_db": round(stood.gain_db + total.gain_db, 3) + 0.0,
            "delay_ms": round(stood.delay_ms + 1e3 * total.delay_s, 4),
            "polarity": stood.polarity * total.polarity,
            "filters": (*stood.filters, *filters),
        }
    )
    return Chain(name=name, stood=stood, whole=whole)


def _of_filter(one: Filter, rate_hz: float) -> FilterTable:
    return FilterTable.model_validate(
        {"kind": one.kind, "frequency_hz": one.frequency_hz, "q": one.q, "gain_db": one.gain_db, "rate_hz": rate_hz}
    )


def _half(values: StartingValues, which: str) -> tuple[FilterTable, ...]:
    """The sections of one half of the crossover."""
    if values.common is None:
        return ()
    crossover = values.common.crossover
    place = {"frequency_hz": crossover.frequency_hz, "rate_hz": values.rate_hz}
    return tuple(
        FilterTable.model_validate(
            {"kind": f"first-order {which} pass", **place} if q is None else {"kind": f"{which} pass", "q": q, **place}
        )
        for q in crossover.q
    )
