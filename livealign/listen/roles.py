"""Which column is which: counter, clock, angle, positions, light, temperature, battery; with reasons in words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log10

import numpy as np

from livealign.listen.columns import TURN, Behaviour, behaviour, counts_up, explained_by, unwrapped, wraps
from livealign.listen.guess import Field
from livealign.listen.names import Role, role_hint, unit_hint
from livealign.stream.contracts import Floats

__all__ = ["ColumnGuess", "guess_roles"]

PER_S = {"s": 1.0, "ms": 1e3, "us": 1e6}
USUAL_NOISE_MM = 0.003
"""Of a light spot or an indicator that is at rest: the middle of 0.001 to 0.01 mm; common practice, no source."""
USUAL = {"mm": 0.45, "um": 0.4, "mil": 0.08, "in": 0.07}
"""How often people who build heads use a unit; a guess without a source."""
MM = {"mm": 1.0, "um": 1e-3, "mil": 0.0254, "in": 25.4}
GREATEST_MM = 40.0
UNIT_ROLES: dict[str, Role] = {"Cel": "temperature", "V": "battery", "mV": "battery"}
NAMED = 4.0
SURE = 0.7


@dataclass(frozen=True, slots=True)
class ColumnGuess:
    """A field and what it is taken for."""

    name: str
    role: Role
    unit: str
    """deg or rad, mm um mil in or m, s ms us, Cel, V mV %; empty if it has none or none is known."""
    confidence: float
    """From 0 to 1."""
    reasons: tuple[str, ...]
    doubts: tuple[str, ...] = ()
    behaviour: Behaviour | None = None
    bits: int | None = None
    """A counter or clock starts again after 2 to this power."""
    counterclockwise: bool = False
    """An angle's first great move was a falling one."""
    others: tuple[str, ...] = ()
    """Units that it could also have."""

    @property
    def moved(self) -> bool:
        """Has it changed by more than its noise?"""
        return self.behaviour is not None and self.behaviour.moves


@dataclass(slots=True)
class _Column:
    field: Field
    seen: Behaviour
    order: int
    hint: Role | None = None
    unit: str | None = None


def guess_roles(
    fields: Sequence[Field], columns: Mapping[str, Floats], arrival_s: Floats, *, turned: bool = False
) -> list[ColumnGuess]:
    """Return what each field is taken for, in their order.

    Args:
        fields: of the format.
        columns: the decoded numbers, NaN where one is missing.
        arrival_s: of each record; empty if not known.
        turned: the person was asked to turn the shafts by a quarter meanwhile.
    """
    found: dict[str, ColumnGuess] = {}
    left: list[_Column] = []
    for order, one in enumerate(fields):
        seen = behaviour(columns[one.name]) if one.name in columns else None
        if seen is None:
            found[one.name] = ColumnGuess(
                one.name, "other", "", 0.0, ("too few numbers came to tell, or absurd ones",)
            )
        else:
            unit = one.unit or unit_hint(one.hint) or None
            hint = UNIT_ROLES.get(one.unit) or role_hint(one.hint) or role_hint(one.unit)
            left.append(_Column(one, seen, order, hint, unit))
    for guess in _running(left, arrival_s):
        found[guess.name] = guess
    left = [c for c in left if c.field.name not in found]
    angle, unit = _angle(left, found, turned=turned)
    left = [c for c in left if c is not angle]
    for guess in _rest(left, angle, unit):
        found[guess.name] = guess
    return [found[one.name] for one in fields]


def _running(left: Sequence[_Column], arrival_s: Floats) -> list[ColumnGuess]:
    """Return the counter and the clock, if there are any."""
    # What the device calls an angle may well rise with time, but is no clock.
    free = [c for c in left if c.hint in (None, "clock", "counter")]
    up = [c for c in free if counts_up(c.seen.values) > 0.97 and np.any(np.diff(c.seen.values) != 0)]
    by_ones = [c for c in up if c.seen.whole and float(np.mean(np.diff(c.seen.values) == 1.0)) > 0.7]
    clocks = [(c, found) for c in up if (found := _clock_unit(c, arrival_s, single=c in by_ones))]
    clocks.sort(key=lambda f: (f[0].hint == "clock", f[0] not in by_ones, f[1][1]), reverse=True)
    guesses: list[ColumnGuess] = []
    clock = None
    for candidate, (unit, sure, why) in clocks[:1]:
        # A thousand records a second count milliseconds too: the only such column may serve as either.
        if candidate in by_ones and candidate.hint != "clock" and len(by_ones) == 1:
            continue
        clock = candidate
        bits = _bits(candidate, clock=True) if unit != "s" else None
        guesses.append(_guess(candidate, "clock", unit, sure, ("it only rises", why), bits=bits))
    counters = [c for c in by_ones if c is not clock]
    counters.sort(key=lambda c: (c.hint == "counter", -c.order), reverse=True)
    for candidate in counters[:1]:
        bits = _bits(candidate, clock=False)
        reasons = ("it rises by 1 from record to record", *_wrap_words(candidate))
        guesses.append(_guess(candidate, "counter", "", 0.95, reasons, bits=bits))
    return guesses


def _clock_unit(c: _Column, arrival_s: Floats, *, single: bool) -> tuple[str, float, str] | None:
    """Return the unit of a column that rises as time does, how sure that is, and why."""
    values = c.seen.values
    steps = np.diff(values)
    step = float(np.median(steps[steps > 0]))
    if arrival_s.size:
        arrivals = arrival_s[c.seen.where]
        span_s = float(arrivals[-1] - arrivals[0])
        rise = float(np.sum(steps[steps > 0]))
        if span_s > 0.5:
            for unit, per_s in PER_S.items():
                if abs(rise / span_s / per_s - 1.0) < 0.15:
                    told = f"by {rise / span_s:.4g} a second as they arrive, so it counts {unit}"
                    return unit, 0.6 if single and c.hint != "clock" else 0.95, told
            return None
    if c.unit in PER_S:
        return c.unit, 0.8, f"its name says {c.unit}"
    if single and c.hint != "clock":
        return None
    # Without arrivals only what is a usual rate of records tells: 1 to 2000 a second.
    for unit, per_s, whole in (("ms", 1e3, True), ("us", 1e6, True), ("s", 1.0, False)):
        if c.seen.whole == whole and 5e-4 <= step / per_s <= 1.0:
            return unit, 0.6, f"steps of {step:g} fit a usual rate of records if it counts {unit}"
    return None


def _bits(c: _Column, *, clock: bool) -> int | None:
    values, steps = c.seen.values, np.diff(c.seen.values)
    for bits in (8, 16, 24, 32):
        if np.any((steps < -0.5 * 2.0**bits) & (values[:-1] < 2.0**bits)):
            return bits
    if c.field.bits >= 8:
        return None if clock and c.field.bits == 64 else c.field.bits
    if values.max() >= 2.0**32:
        return None if clock else 64
    return 32 if clock or values.max() >= 2.0**16 else 16


def _wrap_words(c: _Column) -> tuple[str, ...]:
    if np.any(np.diff(c.seen.values) < 0):
        return ("it was seen to start again",)
    return ()


def _guess(
    c: _Column,
    role: Role,
    unit: str,
    confidence: float,
    reasons: Sequence[str],
    *,
    doubts: Sequence[str] = (),
    bits: int | None = None,
) -> ColumnGuess:
    why = list(reasons)
    if c.hint == role and c.field.hint:
        why.insert(0, f"the device calls it {c.field.hint!r}")
        confidence = min(1.0, confidence + 0.2)
    elif c.hint is not None and c.field.hint and c.hint != role:
        confidence *= 0.7
        doubts = (*doubts, f"the device calls it {c.field.hint!r}")
    return ColumnGuess(
        c.field.name, role, unit, round(confidence, 3), tuple(why), tuple(doubts), c.seen, bits
    )


@dataclass(slots=True)
class _AsAngle:
    column: _Column
    unit: str
    score: float
    reasons: list[str]


def _angle(
    left: Sequence[_Column], found: dict[str, ColumnGuess], *, turned: bool
) -> tuple[_Column | None, str]:
    """Find the angle, put it among the found, return it and its unit."""
    tried = [a for c in left for unit in TURN if (a := _as_angle(c, unit, left, turned=turned))]
    tried.sort(key=lambda a: -a.score)
    if not tried or tried[0].score < 0.0:
        return None, "deg"
    best = tried[0]
    rivals = [a for a in tried[1:] if a.column is not best.column]
    margin = best.score - max((a.score for a in rivals), default=0.0)
    confidence = 1.0 / (1.0 + exp(-margin / 1.5))
    doubts = []
    if confidence < SURE:
        other = f" rather than {rivals[0].column.field.name!r}" if rivals else ""
        doubts.append(f"it is not sure that this is the angle{other}: turn the shafts while listening")
    guess = _guess(best.column, "angle", best.unit, confidence, best.reasons, doubts=doubts)
    turned_values = unwrapped(best.column.seen.values, TURN[best.unit])
    away = turned_values - np.median(turned_values[: max(1, turned_values.size // 50)])
    falling = bool(abs(away.min()) > abs(away.max()))
    others = tuple(a.unit for a in tried[1:] if a.column is best.column and best.score - a.score < 2.0)
    found[guess.name] = replace(guess, counterclockwise=falling, others=others)
    return best.column, best.unit


def _as_angle(c: _Column, unit: str, left: Sequence[_Column], *, turned: bool) -> _AsAngle | None:
    """Return how well a column would do as an angle in a unit; None if it cannot be one."""
    whole = TURN[unit]
    values = c.seen.values
    least, greatest = float(values.min()), float(values.max())
    in_range = (least >= -0.51 * whole and greatest <= 0.51 * whole) or (
        least >= -0.02 * whole and greatest <= 1.02 * whole
    )
    if not in_range or (unit == "rad" and c.seen.whole):
        return None
    score, reasons = 0.1 if unit == "deg" else 0.0, [f"its range fits an angle in {unit}"]
    if c.hint == "angle":
        score += NAMED
    elif c.hint is not None:
        score -= NAMED
    if c.unit in TURN:
        score += 2.0 if c.unit == unit else -6.0
    straight = unwrapped(values, whole)
    ends = wraps(values, whole)
    if ends:
        score += 5.0
        reasons = [f"it starts again after {whole:g}" if unit == "deg" else "it starts again after 2 pi"]
    again = behaviour(straight)
    if again is None:
        return None
    share = again.span / whole
    noise_deg = max(again.noise, again.quantum / 12**0.5) / whole * 360.0
    score += 1.0 if 0.003 <= noise_deg <= 1.0 else -1.0
    if again.moves:
        score += 1.0 if share > 0.08 else -0.5
        if turned and 0.12 <= share <= 0.6:
            score += 2.0
            reasons.append(
                f"it moved by {share * 360:.0f} deg while the shafts were turned by about a quarter"
            )
        if turned and share < 0.03:
            score -= 3.0
        if share > 0.05:
            extra, why = _explains(c, straight / whole * TURN["rad"], left)
            score += extra
            reasons += why
    elif any(o.seen.moves for o in left if o is not c and o.hint not in ("temperature", "battery", "light")):
        score -= 3.0
    return _AsAngle(c, unit, score - 0.05 * c.order, reasons)


def _explains(c: _Column, angle_rad: Floats, left: Sequence[_Column]) -> tuple[float, list[str]]:
    """Return how well others follow sine and cosine of it."""
    score, following = 0.0, []
    for other in left:
        if other is c or not other.seen.moves or other.hint in ("temperature", "battery", "light"):
            continue
        residual, share = explained_by(_at(other.seen, c.seen, angle_rad), other.seen.values)
        small = residual < 4.0 * max(other.seen.noise, 0.3 * other.seen.quantum)
        if small or share > 0.995:
            score += 2.0
            following.append(other.field.name)
        elif share < 0.9:
            score -= 2.0
    words = [f"{', '.join(following)} follow its sine and cosine"] if len(following) > 1 else []
    if len(following) == 1:
        words = [f"{following[0]} follows its sine and cosine"]
    return score, words


def _at(other: Behaviour, angle: Behaviour, angle_rad: Floats) -> Floats:
    """Return the angle at the records of another column, which may come in records of their own."""
    return np.interp(other.where, angle.where, angle_rad)


def _rest(left: Sequence[_Column], angle: _Column | None, unit: str) -> list[ColumnGuess]:
    """Return what the columns are that are neither counter, clock nor angle."""
    scored = {c.field.name: _scores(c, angle, unit) for c in left}
    roles: dict[str, Role] = {name: _best(s) for name, s in scored.items()}
    if "position" not in roles.values() and scored:
        best = max(scored, key=lambda n: scored[n]["position"][0])
        if scored[best]["position"][0] > -2.0:
            roles[best] = "position"
    guesses = []
    for c in left:
        role, scores = roles[c.field.name], scored[c.field.name]
        rivals = [s for r, (s, _) in scores.items() if r != role]
        confidence = 1.0 / (1.0 + exp(-(scores[role][0] - max(rivals)) / 1.5))
        doubts = () if confidence >= SURE else (f"it is not sure that this is {_a(role)}",)
        told = _guess(c, role, "", confidence, scores[role][1], doubts=doubts)
        guesses.append(_with_unit(told, c))
    return guesses


def _best(scores: Mapping[Role, tuple[float, list[str]]]) -> Role:
    best: Role = "other"
    for role, (score, _) in scores.items():
        best = role if score > scores[best][0] else best
    return best


def _a(role: Role) -> str:
    return {
        "position": "a position",
        "light": "the light",
        "temperature": "a temperature",
        "battery": "a battery",
    }.get(role, "nothing of interest")


def _scores(c: _Column, angle: _Column | None, unit: str) -> dict[Role, tuple[float, list[str]]]:
    seen = c.seen
    scores: dict[Role, tuple[float, list[str]]] = {
        "position": _as_position(c, angle, unit),
        "light": _as_light(seen),
        "temperature": _as_temperature(seen),
        "battery": _as_battery(seen),
        "other": (0.5, ["nothing is known that behaves so"]),
    }
    if c.hint is not None and c.hint in scores:
        score, why = scores[c.hint]
        scores[c.hint] = (score + NAMED, why)
    elif c.hint is not None:
        scores["position"] = (scores["position"][0] - 2.0, scores["position"][1])
    return scores


def _as_position(c: _Column, angle: _Column | None, unit: str) -> tuple[float, list[str]]:
    seen, score, why = c.seen, 0.0, []
    if max(_unit_odds(c).values()) < 1e-4:
        score -= 2.0
    if seen.moves:
        score += 1.0
        if angle is not None and angle.seen.moves:
            turned = unwrapped(angle.seen.values, TURN[unit]) / TURN[unit] * TURN["rad"]
            left, share = explained_by(_at(seen, angle.seen, turned), seen.values)
            if left < 4.0 * max(seen.noise, 0.3 * seen.quantum) or share > 0.9:
                score += 2.5
                why.append("it follows sine and cosine of the angle, as an offset does")
            elif share < 0.5:
                score -= 2.0
    elif angle is not None and angle.seen.moves and seen.whole and seen.middle > 50:
        score -= 1.5
    if seen.values.min() < 0:
        score += 1.5
        why.append("it is negative at times")
    if not seen.whole:
        score += 0.7
    return score, why or ["it is what is left to be a position"]


def _as_light(seen: Behaviour) -> tuple[float, list[str]]:
    if seen.values.min() < 0 or seen.middle < 20:
        return -3.0, ["it is too small for a light"]
    steady = seen.span < 0.3 * seen.middle
    score = 1.0 + (0.7 if steady else -2.5) + (0.8 if seen.whole else -0.7)
    noisy = 2e-4 < max(seen.noise, 0.3 * seen.quantum * (seen.noise > 0)) / seen.middle < 0.1
    score += 0.5 if noisy else -1.0
    return score, ["it is positive, large and steady"]


def _as_temperature(seen: Behaviour) -> tuple[float, list[str]]:
    usual = seen.values.min() >= -10.0 and seen.values.max() <= 90.0 and abs(seen.middle) > 5.5
    slow = seen.noise <= 0.3 and seen.span < 3.0
    return (2.0 if usual and slow and not seen.whole else -2.0), [
        "it is slow, and of the size of degrees Celsius"
    ]


def _as_battery(seen: Behaviour) -> tuple[float, list[str]]:
    volts = 2.0 <= seen.middle <= 5.5 and not seen.whole
    millivolts = 2000.0 <= seen.middle <= 15000.0 and seen.whole
    slow = seen.noise + seen.span < 0.02 * seen.middle
    return (1.6 if (volts or millivolts) and slow else -2.0), [
        "it hardly changes, and is of the size of a battery's"
    ]


def _with_unit(guess: ColumnGuess, c: _Column) -> ColumnGuess:
    middle = c.seen.middle
    if guess.role == "temperature":
        return replace(guess, unit="Cel")
    if guess.role == "battery":
        unit = "mV" if middle > 1000 else "V" if middle < 30 and not c.seen.whole else "%"
        return replace(guess, unit=c.field.unit or unit)
    if guess.role != "position":
        return guess
    if c.unit in (*MM, "m"):
        return replace(guess, unit=c.unit, reasons=(*guess.reasons, f"its unit is told: {c.unit}"))
    odds = _unit_odds(c)
    total = sum(odds.values())
    ranked = sorted(odds, key=lambda u: -odds[u])
    noise = max(c.seen.noise, 0.3 * c.seen.quantum)
    best = ranked[0]
    reasons = (*guess.reasons, f"noise and size fit {best}: {noise:.2g} {best} from reading to reading")
    others = tuple(u for u in ranked[1:] if odds[u] > 0.2 * odds[best])
    doubts = guess.doubts
    if others or total < 1e-3:
        doubts = (*doubts, f"the unit is not sure: it could be {' or '.join(others or ('another',))}")
    return replace(guess, unit=best, reasons=reasons, doubts=doubts, others=others)


def _unit_odds(c: _Column) -> dict[str, float]:
    """Return how likely each unit of length is by noise, size and use; they do not add up to 1."""
    noise = max(c.seen.noise, 0.3 * c.seen.quantum, 1e-9)
    greatest = float(np.abs(c.seen.values).max())
    odds = {}
    for unit, mm in MM.items():
        off = (log10(noise * mm) - log10(USUAL_NOISE_MM)) / 0.5
        odds[unit] = USUAL[unit] * exp(-0.5 * off * off) * (1.0 if greatest * mm <= GREATEST_MM else 0.01)
    return odds
