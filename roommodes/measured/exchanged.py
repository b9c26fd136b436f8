"""Two seats whose files were exchanged, told by a rough model.

At every frequency a sub's responses over the seats are one number (the sub's own response) times what the model lets
expect. How much of their energy that explains is compared with two seats exchanged. A rough model tells that only
where the exchange explains very much more, so that few of them are seen, and no sound set is blamed.
"""

from collections.abc import Sequence

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.measured.across_seats.smooth_field import Exchange
from roommodes.measured.doubts import Doubt

FEWEST_SEATS = 4
BETTER, ENOUGH = 0.16, 0.6  # how much more the exchange must explain, and how much in all


def exchanged_seats(
    frequency_hz: Floats, transfer: Complexes, expected: Complexes, seat: Sequence[str], sub: Sequence[str]
) -> list[Doubt]:
    """The one exchange that explains the responses far better than the names in the manifest.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    transfer, expected : (n_freq, n_seat, n_sub) complex128, measured and by the model; nan for subs of unknown place.
    seat, sub : names.

    Returns
    -------
    A doubt for each of the two files, or of the two seats' files of the first sub where all subs agree; or none.
    """
    known = np.flatnonzero(np.isfinite(expected).all(axis=(0, 1)))
    if transfer.shape[1] < FEWEST_SEATS or not len(known):
        return []
    measured, model = transfer[:, :, known], expected[:, :, known]
    score = _explained(measured, model)
    n_seat = transfer.shape[1]
    best: tuple[float, int, int, Floats] = (-np.inf, 0, 0, score)
    for one in range(n_seat):
        for other in range(one + 1, n_seat):
            order = np.arange(n_seat)
            order[[one, other]] = other, one
            now = _explained(measured[:, order], model)
            if (now - score).mean() > best[0]:
                best = (float((now - score).mean()), one, other, now)
            for column in range(len(known)):
                if len(known) > 1 and (now - score)[column] > BETTER and now[column] > ENOUGH:
                    best = max(best, (float((now - score)[column]), one, other, now), key=lambda item: item[0])
    gain, one, other, now = best
    blamed = [int(known[c]) for c in np.flatnonzero((now - score > BETTER) & (now > ENOUGH))]
    if gain <= BETTER or not blamed:
        return []
    whose = _whose([sub[blamed[0]]]) if len(blamed) < len(known) else ""
    c = int(np.flatnonzero(known == blamed[0])[0])
    why = (
        f"exchanged, the model explains {100.0 * now[c]:.0f} % of the responses' energy, as they are named "
        f"{100.0 * score[c]:.0f} %"
    )
    return _doubts(blamed[0], (one, other), seat, whose=whose, why=why)


def field_exchange_doubts(exchange: Exchange, seat: Sequence[str], sub: Sequence[str]) -> list[Doubt]:
    """The doubts about two files that the field at the other seats wants exchanged."""
    whose = _whose([sub[index] for index in exchange.subs]) if len(exchange.subs) < len(sub) else ""
    may_be = "" if exchange.rival is None else f", or those at {' and '.join(seat[k] for k in exchange.rival)}"
    why = f"exchanged, they go with the sound at the seats about them, as they are named they do not{may_be}"
    return _doubts(exchange.subs[0], exchange.seats, seat, whose=whose, why=why)


def exchange_question(exchange: Exchange, seat: Sequence[str], sub: Sequence[str]) -> str:
    """The sentence where an exchange is likely and not certain."""
    one, other = (seat[place] for place in exchange.seats)
    whose = _whose([sub[index] for index in exchange.subs]) if len(exchange.subs) < len(sub) else ""
    return (
        f"The files {whose}at {one} and {other} may be exchanged: so they go better with the drawn room and the seats "
        'about them. Check the names; if they are right: checked = ["seats"] in [reference].'
    )


def _whose(names: Sequence[str]) -> str:
    """Whose files: "of sub left and sub right "; a name that begins so is not said twice."""
    said = [name if name.lower().startswith("sub") else f"sub {name}" for name in names]
    return f"of {', '.join(said[:-1])}{' and ' if len(said) > 1 else ''}{said[-1]} "


def _doubts(blamed: int, seats: tuple[int, int], seat: Sequence[str], *, whose: str, why: str) -> list[Doubt]:
    one, other = (seat[place] for place in seats)
    return [
        Doubt(
            sub=blamed,
            seat=place,
            message=f"the files {whose}at {one} and {other} seem to be exchanged: {why}. Exchange the names. If you "
            'have checked it, and it is right: checked = ["seats"] in [reference].',
        )
        for place in seats
    ]


def _explained(measured: Complexes, model: Complexes) -> Floats:
    """Share of each sub's energy that one number at each frequency explains: (n_sub,)."""
    product = np.abs((measured * np.conj(model)).sum(axis=1)) ** 2
    power = (np.abs(model) ** 2).sum(axis=1)
    energy = (np.abs(measured) ** 2).sum(axis=1)
    return np.asarray((product / np.maximum(power * energy, 1e-300)).mean(axis=0))
