"""The answer for one truck in plain words: for the owner on the telephone, and on half a page for the customer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite, isnan

import pandas as pd

from analytics.advice.answer import Advice, Choice, ComponentAdvice, Margin, Near, NextUp, Published
from analytics.advice.chance import Chance
from analytics.errors import AnalyticsError
from analytics.reasons import Advised, Stands
from analytics.records.load import Records
from analytics.words.cautions import CAUTIONS
from analytics.words.load import LOWEST_LINE, broken_words, counted_at, fared, grade
from analytics.words.phrases import capital, listed, many, money, numbered, percent, plural, weight
from analytics.words.saying import say, texts
from analytics.words.units import (
    at_most,
    bare_power,
    bare_pressure,
    bare_torque,
    bare_weight,
    counted,
    distance,
    name_of,
    own,
    power,
    pressure,
    run,
    torque,
)

#: those of the cautions that a customer needs on half a page
CAUTIONS_SHORT = (*CAUTIONS[:5], LOWEST_LINE)
#: headings of the table of a page
HEADINGS = ["component", "fit", "of 100 like it fail", "price", "what stands behind it"]

texts(
    {
        Advised.SUPPORTED: "supported",
        Advised.NOT_SUPPORTED: "not shown to last",
        Advised.NO_SUCH_USE: "no truck of this use has it on record",
        Advised.FEW_SO_HEAVY: "too few trucks this heavy have it on record",
        Advised.BEYOND: "too few trucks this heavy and this strong have it on record",
        Advised.NOTHING_SHOWN: "such trucks have run too little with it to show that it lasts",
        Advised.NOTHING_RULED_OUT: "the records can't tell, from hardly any failing to nearly all",
        Advised.NO_FIT: "no fit of its failures converged",
        Advised.NO_LIVES: "none with power and weight on record",
        Advised.OVER_PUBLISHED: "the truck is over its published {published_hp:power}",
        Advised.USE_NOT_ON_RECORD: lambda use, trucks: f"{_only(trucks)} for {use} on record",
        Advised.POWER_ABOVE: lambda edge, trucks: f"{_only(trucks)} this strong on record, the strongest {power(edge)}",
        Advised.POWER_BELOW: lambda edge, trucks: f"{_only(trucks)} this weak on record, the weakest {power(edge)}",
        Advised.WEIGHT_ABOVE: lambda edge, trucks: f"{_only(trucks)} this heavy on record, the heaviest {weight(edge)}",
        Advised.WEIGHT_BELOW: lambda edge, trucks: f"{_only(trucks)} this light on record, the lightest {weight(edge)}",
        Advised.FEW_TOGETHER: lambda use, trucks: (
            f"{_only(trucks)} for {use} on record about as heavy and at least as strong"
        ),
        Advised.CLUTCH_SLIPS: "cannot hold the torque: it holds at most {high:.2f} of it, {least:g} is needed",
        Advised.SHAFT_YIELDS: "yields under the torque: it stands at most {high:.2f} of it",
        Advised.PRESSURE_TOO_HIGH: "the converter's apply pressure, {psi:pressure}, is above {most:pressure}",
        Advised.NEEDS_PRESSURE: "{part} needs {low:pressure} to {high:pressure} of apply pressure to hold it",
        Advised.LETS_THROUGH: lambda part, low, high: (
            f"the release passage of {part} lets {low:.1f} to {high:.1f} US gal/min through at {bare_pressure(50)} to {pressure(150)}"
        ),
        Advised.ON_A_GRADE: lambda part, low, high, trailer_low, trailer_high, wanted: (
            f"{grade()} with a trailer of {_range(trailer_low, trailer_high)} the lock-up of {part} holds {low:.2f} to {high:.2f} times the torque, and {wanted:g} is the least "
            "to ask of it (common practice, no source)"
        ),
        Advised.BREAKS_RULE: lambda part, rule, value, limit: f"{part}, {broken_words(rule, value, limit)}",
        Advised.FITTED_WITH: (
            "{so} of {built} built with {part} have {other} {usual} beside it, not {chosen}: ask why before they are parted"
        ),
    }
)


def _range(low: float, high: float) -> str:
    return weight(low) if low == high else f"{bare_weight(low)} to {weight(high)}"


# ---- pieces ------------------------------------------------------------------------------------------------------------
def _only(trucks: float) -> str:
    """'no truck', 'only 4 trucks'."""
    return f"only {plural(int(trucks), 'truck')}" if trucks else "no truck"


def _hundred(share: float) -> str:
    """Of a hundred."""
    each = 100 * share
    if each > 99.5:
        return "more than 99"
    return "0.1" if each < 0.1 else numbered(each, 1 if each < 1 else 2) if each < 10 else f"{each:.0f}"


def chance_words(chance: Chance) -> str:
    """Of 100 such trucks how many fail, by a ``chance``."""
    if not chance.failures and not chance.low:
        return f"none in such use so far; at most {_hundred(chance.high)}"
    if chance.estimate < 0.001:
        return f"fewer than one in a thousand (at most {_hundred(chance.high)} in 100)"
    return f"about {_hundred(chance.estimate)} ({_hundred(chance.low)} to {_hundred(chance.high)})"


def _price(advice: Advice, amount: float) -> str:
    return "no price on file" if isnan(amount) else money(amount, advice.records.shop.currency)


def life_words(advice: Advice) -> str:
    """The life the ``advice`` is for: in miles, and as it was said where that was otherwise."""
    value, unit = advice.truck.life_said
    if unit == "miles" or isnan(advice.truck.life_miles):
        return counted(value, unit)
    return f"{value:,.0f} {unit}, about {distance(round(advice.truck.life_miles, -2))}"


def truck_words(advice: Advice) -> str:
    """The truck of the ``advice`` as it was understood."""
    t = advice.truck
    said = f"{power(t.said_hp)} at the crank" + (", worked out from the wheels" if t.at_wheels else "")
    if t.power_hp > t.said_hp * 1.001:
        said += f" (answered for {bare_power(t.power_hp)}, since it may be as much)"
    told = [said, weight(t.weight_lb) if isfinite(t.weight_lb) else "weights are not on record", " and ".join(t.uses)]
    return capital(", ".join(x for x in told if x)) + f", to last {life_words(advice)}."


def title(advice: Advice) -> str:
    """What the page of an ``advice`` is about."""
    t = advice.truck
    told = [power(t.said_hp), weight(t.weight_lb) if isfinite(t.weight_lb) else "", " and ".join(t.uses)]
    return "What to build it with: " + ", ".join(x for x in told if x)


def _why_published(published: Published) -> str:
    on = f" on “{published.why}”" if published.why else ", no reason written down"
    return f"published for {power(published.power_hp)} since {published.since}{on}"


def _seen(choice: Choice) -> str:
    s = choice.seen
    own = f"{s.failures:,.0f} of {s.units:,.0f} on record failed in {run(s.miles, 'miles', 2, 0)}"
    like = f"{s.like_failures:,.0f} of {s.like:,.0f} like this truck" if s.like else "none of them like this truck"
    return f"{own}, {like}{_whatever(choice)}{_hidden(choice)}"


def _hidden(choice: Choice) -> str:
    return (
        f"; {choice.hidden} had damage that only a teardown showed, and trucks never opened count as sound here (the ratings count them by those looked at)"
        if choice.hidden
        else ""
    )


def _whatever(choice: Choice) -> str:
    return ", whatever their power: a part like this wears by distance, dirt and heat" if choice.any_power else ""


def _open(choice: Choice) -> str:
    """What the records say of a part without a figure, and the life that they do show."""
    if not isfinite(choice.shown_miles):
        return say(choice.records)
    return f"{say(choice.records)} so long, only to {_shown(choice)}"


def _shown(choice: Choice) -> str:
    """The life shown, rounded down to two figures."""
    return f"{at_most(own(choice.shown_miles, 'distance')):,.0f} {name_of('distance')} by its own such trucks alone"


# ---- said before any figure --------------------------------------------------------------------------------------------
def first_words(advice: Advice) -> tuple[str, ...]:
    """What has to be said of an ``advice`` before any figure: what is refused, margins under 1, and where the truck lies outside the records."""
    lines = [f"Do not build it so. No {component} is allowed: {say(r)}." for component, r in advice.refuse]
    lines += _too_weak(advice)
    if advice.trailer_lb[1] > 0 and isfinite(advice.truck.weight_lb):
        lines.append(_towed(advice.truck.weight_lb, *advice.trailer_lb))
    if advice.strained:
        told = listed([say(r) for r in advice.strained])
        lines.append(f"By the rules of thumb, with what is not known at its middle, too much is asked of {told}.")
    if advice.outside:
        lines.append(f"This truck lies outside the records: {listed([say(r) for r in advice.outside])}.")
        lines += [_near(n) for n in advice.nearest]
    return tuple(lines)


def _towed(truck_lb: float, low: float, high: float) -> str:
    told = (
        ""
        if low == high
        else f"What does its trailer weigh? {_range(low, high)} is taken (common practice, no source). "
    )
    return (
        f"{told}With its trailer it weighs {_range(truck_lb + low, truck_lb + high)}: see first that truck, hitch, tyres and brakes are rated for that, else stop. The records "
        "know trucks without their trailers, so a heavier one than usual is in no share that fails."
    )


#: over the parts that may give by the formulas: at the middle of what is not known, and at the worst of it alone
_WEAK = {
    True: "Too weak by the driveline's formulas, even with what is not known of this truck at its middle:",
    False: "Strong enough by the driveline's formulas with what is not known of this truck at its middle, too weak at the worst of it:",
}


def _too_weak(advice: Advice) -> list[str]:
    """Parts that may give by the formulas, those that do so at the middle of what is assumed before those that do at the worst of it."""
    told: dict[bool, list[str]] = {}
    for choice, decided in advice.doubts:
        assert choice.margin is not None
        even = bool(choice.margin.body[1] < 1)
        told.setdefault(even, [_WEAK[even]]).append(_margin(choice, choice.margin, decided))
    return told.get(True, []) + told.get(False, [])


def _margin(c: Choice, m: Margin, decided: str) -> str:
    clutch = m.of is Advised.CLUTCH_SLIPS
    what, who = ("slips", "holds") if clutch else ("yields", "stands with its plain body, before any notch or shock,")
    decides = f"; {decided.replace('_', ' ')} decides it most: measure that first" if decided else ""
    return (
        f"{capital(c.component)} {c.part} {who} {m.body[0]:.2f} to {m.body[2]:.2f} times, {m.body[1]:.2f} at the middle, the {bare_torque(m.torque_lbft[0])} to "
        f"{torque(m.torque_lbft[2])} the engine may bring, and under 1 it {what}{decides}."
    )


def _near(n: Near) -> str:
    run = f", {distance(n.miles)}" if isfinite(n.miles) else ""
    fared = f"came back with its {n.came_back}" if n.came_back else "has not come back"
    told = ", ".join(x for x in (power(n.power_hp), weight(n.weight_lb) if isfinite(n.weight_lb) else "", n.use) if x)
    return f"Nearest on record: {told}, {plural(round(n.months), 'month')}{run}: {fared}."


# ---- component by component --------------------------------------------------------------------------------------------
def component_words(advice: Advice, own: ComponentAdvice) -> tuple[str, ...]:
    """What to fit in one component (``own``) of the ``advice``, what it is expected to do, and what the next part up buys; or why the records carry no answer."""
    best = own.advised
    lines = (
        [_picked(advice, best), *_likely(advice, own), *_passed_over(advice, own)] if best else _no_pick(advice, own)
    )
    if own.cheaper is not None:
        lines.append(_decide(advice, own.cheaper))
    return (*lines, *(_up(advice, up) for up in own.up), *_by_money(advice, own))


def _by_money(advice: Advice, own: ComponentAdvice) -> tuple[str, ...]:
    """Where price and expected comebacks together would fit another part."""
    best, fitted = own.by_money, own.fitted
    if best is None or best is fitted or fitted is None or not fitted.chance:
        return ()
    each = [
        f"{c.part} {_price(advice, c.price)} and {_price(advice, c.cost(advice.comeback) - c.price)} of comebacks"
        for c in (best, fitted)
    ]
    return (f"By money alone, promise aside: {each[0]} to expect, against {each[1]}.",)


def _passed_over(advice: Advice, own: ComponentAdvice) -> list[str]:
    """Why a cheaper part is not enough."""
    passed = own.choices[: own.choices.index(own.pick)] if own.pick else ()
    return [_against(advice, c) for c in passed if c not in (own.cheaper, own.advised)]


def _likely(advice: Advice, own: ComponentAdvice) -> list[str]:
    """Of a part advised for its money in place of one that is shown to last."""
    if own.pick is None or own.advised is own.pick:
        return []
    promised = f"{100 * advice.promise.reliability:.0f} of 100"
    instead = f": fit {own.pick.part} ({_price(advice, own.pick.price)}) where {promised} is promised."
    likely, shown = (
        f"{_price(advice, c.cost(advice.comeback))} for {c.part}" for c in (own.advised, own.pick) if c is not None
    )
    return [
        f"Likely, but not shown, to last in {promised}. With the comebacks to expect it comes to {likely}, {shown}{instead}"
    ]


def _against(advice: Advice, c: Choice) -> str:
    """A part that is not advised: what forbids it, and what the records say."""
    barred = "; ".join(say(r) for r in c.rules)
    says = f"of 100 like it {chance_words(c.chance)} fail by then" if c.chance else _open(c)
    return f"{c.part} ({_price(advice, c.price)}) is not enough: {'; '.join(x for x in (barred, says, _seen(c)) if x)}."


def _decide(advice: Advice, c: Choice) -> str:
    assert c.published is not None
    return f"The records support {c.part} ({_price(advice, c.price)}), but it is {_why_published(c.published)}: whether to raise that is for the owner to decide."


def _picked(advice: Advice, pick: Choice) -> str:
    if pick.chance is None:
        return f"{pick.part} ({_price(advice, pick.price)}): {_seen(pick)}."
    governs = f", the harsher use here ({pick.governs})" if len(advice.truck.uses) > 1 else ""
    least = (
        f" (answered as at {power(pick.lowest_hp)}, the least it has on record)"
        if pick.lowest_hp > advice.truck.power_hp
        else ""
    )
    return f"{pick.part} ({_price(advice, pick.price)}): of 100 like it {chance_words(pick.chance)} fail by then{governs}{least}. {capital(_seen(pick))}."


def _no_pick(advice: Advice, own: ComponentAdvice) -> list[str]:
    p, life = advice.promise, life_words(advice)
    lines = [
        f"no {own.component} is both allowed and shown to last {life} in {100 * p.reliability:.0f} of 100 such trucks."
    ]
    lines += [_against(advice, c).replace(" is not enough:", ":", 1) for c in own.choices]
    return [*lines, *([_in_its_place(own, own.instead)] if own.instead else [])]


def _in_its_place(own: ComponentAdvice, best: Choice) -> str:
    """What stands in the place of an answer (``best``), why, who set its limit and on what."""
    on = f"it is {_why_published(best.published)}" if best.published else "no limit is published for it"
    why = (
        "costs least with its comebacks counted"
        if best is own.by_money
        else "has no failure"
        if best.stands
        else "has the best record"
    )
    return f"Of those allowed {best.part} {why}, which is no promise; {on}."


def _up(advice: Advice, up: NextUp) -> str:
    if not up.shown:
        return f"{up.part}, {_price(advice, up.price)} more than {up.instead_of}: these records cannot tell that it spares anything."
    return (
        f"{up.part}, {_price(advice, up.price)} more than {up.instead_of}, spares about {_hundred(up.spared / 100)} in 100 "
        f"({_hundred(up.low / 100)} to {_hundred(up.high / 100)}): {_each(advice, up)}."
    )


def _each(advice: Advice, up: NextUp) -> str:
    """What one spared costs, beside what a comeback does."""
    told = f"{_price(advice, float(f'{up.each:.2g}'))} for each one spared"
    if isnan(advice.comeback):
        return told
    return f"{told}, {'less' if up.each < advice.comeback else 'more'} than the {_price(advice, advice.comeback)} a comeback costs"


# ---- the whole ----------------------------------------------------------------------------------------------------------
def whole_words(advice: Advice) -> tuple[str, ...]:
    """Of the whole build of an ``advice``: price, chance that nothing fails, the weakest part and the next best money."""
    w, n = advice.whole, len(advice.components)
    priced = [f.component for f in advice.fitted if isfinite(f.price)]
    missing = [c.component for c in advice.components if c.component not in priced]
    without = f" but {listed(missing)}" if missing else ""
    lines = [f"Parts for all of it{without}: {_price(advice, w.price)}."] if priced else []
    if len(w.unknown) < n:
        middle, low, high = map(_hundred, w.lasts)
        many = f"{'' if middle.startswith('more') else 'about '}{middle} of 100 such trucks ({low} to {high})"
        of = f" of the {n - len(w.unknown)} components with a figure" if w.unknown else ""
        lines.append(
            f"In {many} nothing{of} fails by then. The weakest is the {w.weakest}."
            if n - len(w.unknown) > 1
            else f"Only the {w.weakest} has a figure: in {many} it does not fail by then."
        )
        lines.append(_next_money(advice))
    if w.unknown:
        lines.append(f"For {listed(w.unknown)} the records give no figure, and none is put in its place.")
    return (*lines, *_settle(advice))


def _settle(advice: Advice) -> tuple[str, ...]:
    """What would settle what the records leave open."""
    open_ = (c for c in advice.components if not c.pick and not c.cheaper)
    left = [c.component for c in open_ if not all(choice.rules for choice in c.choices)]
    if not left or advice.refuse:
        return ()
    return (
        f"To settle what is open for {listed(left)}{', part by part' * (len(left) > 1)}: {advice.settles} such trucks with it, each run {life_words(advice)}, and none fails.",
    )


_IN_SHORT = (
    "shown to last", "likely to last, and cheaper", "for the owner to decide", "the best there is, but not shown to last", "no answer"
)  # fmt: skip


def _in_short(of: ComponentAdvice) -> Iterator[tuple[str, str]]:
    """Under which of `_IN_SHORT` a component comes, and how it is named there."""
    if of.pick and of.instead:
        yield _IN_SHORT[1], f"{of.component} {of.instead.part} ({of.pick.part} is shown)"
    elif of.pick:
        yield _IN_SHORT[0], f"{of.component} {of.pick.part}"
    else:
        for what, part in zip(_IN_SHORT[2:4], (of.cheaper, of.instead), strict=True):
            if part:
                yield what, f"{of.component} {part.part}"
    if not of.fitted:
        yield _IN_SHORT[4], of.component


def short_words(advice: Advice) -> tuple[str, ...]:
    """The ``advice`` in one breath: what is shown to last, what is for the owner to decide, and what the records leave open."""
    groups: dict[str, list[str]] = {what: [] for what in _IN_SHORT}
    for what, named in (told for of in advice.components for told in _in_short(of)):
        groups[what].append(named)
    return (f"In short: {'; '.join(f'{what}: {listed(parts)}' for what, parts in groups.items() if parts)}.",)


def _next_money(advice: Advice) -> str:
    best = advice.whole.best
    if best is None:
        return "No dearer part is shown to spare a comeback in this truck: more money changes nothing that these records can show."
    named = f"the {best.component} {best.part}"
    return (
        f"No dearer part pays for itself; next comes {named}."
        if best.each >= advice.comeback
        else f"The next best money: {named}."
    )


#: behind margins of which the records leave open whether they are too harsh
_OPEN = " Where no more is said of a margin, the records neither clear it nor bear it out: odometers of those that run would tell more."


def together_words(advice: Advice) -> tuple[str, ...]:
    """What has to go with the parts of an ``advice``: habits of the shop's builds, and what the driveline's formulas say of each part fitted."""
    lines = _habits(advice)
    margins = [(f, f.margin) for f in advice.fitted if f.margin is not None]
    told = [*(_carries(f, m) for f, m in margins), *map(say, advice.needs)]
    if told:
        open_one = any(_at_risk(m) and m.stood is not None and m.stood.says is Stands.OPEN for _, m in margins)
        own = ", ".join(f"{name.replace('_', ' ')} {value:g}" for name, value in advice.truck.own)
        of = f"with {own}, else as assumed" if own else "of a truck of no special make"
        lines.append(
            f"By textbook formulas, {of}: {'; '.join(told)}.{_OPEN * open_one} No design calculation: an engineer makes that."
        )
    return tuple(lines)


def _carries(fitted: Choice, m: Margin) -> str:
    return f"{fitted.part} gets {bare_torque(m.torque_lbft[0])} to {torque(m.torque_lbft[2])}{_tyres(m)}, {_stands(m)}"


def _stands(m: Margin) -> str:
    ends = f"{m.low:.2f} to {m.high:.2f}"
    if m.of is Advised.CLUTCH_SLIPS:
        return f"and holds {ends} times that{_fared(m)}"
    return f"a margin of {ends} at its worst notch in a shock (a careful design starts at 1){_fared(m)}"


def _at_risk(m: Margin) -> bool:
    """Whether a margin may lie under 1, so that it matters how parts fared at it."""
    return m.low < 1


def _fared(m: Margin) -> str:
    """How parts fared at the low end of the margin or less; what leaves it open is said once for all (`_OPEN`)."""
    if m.stood is None or not _at_risk(m):
        return ""
    return f"; {counted_at(m.stood) if m.stood.says is Stands.OPEN else fared(m.stood)}"


def _tyres(m: Margin) -> str:
    return {
        "in every gear": " (the tyres slip first in every gear)",
        "in some gears": " (the tyres slip first in some gears)",
    }.get(m.limited, "")


def basis_words(advice: Advice) -> tuple[str, ...]:
    """What the figures of an ``advice`` mean, and as of when."""
    p, records = advice.promise, advice.records
    return (
        f"{records.shop.name}, records as of {records.as_of:%Y-%m-%d}. Failures are counted whether the truck came back or nobody said so. A part is "
        f"supported where we are {percent(p.confidence)} sure that {100 * p.reliability:.0f} of 100 such trucks last; each end of a range is as sure.",
        *(_ALONE,) * any(isfinite(c.shown_miles) for one in advice.components for c in one.choices),
        *assumed_miles(records, p.counted),
    )


_ALONE = "“By its own such trucks alone”: the ratings count weaker and lighter ones too, where sibling parts show what those tell."


def assumed_miles(records: Records, counted: str) -> tuple[str, ...]:
    """That no distance was driven by an odometer, where miles are ``counted`` and the ``records`` have none to count from."""
    unknown = records.builds["odometer_at_install"].isna().all() and records.returns["miles"].isna().all()
    return ("No odometer is on record: every distance here is assumed from days in use.",) * int(
        unknown and counted == "miles"
    )


def page_caption(advice: Advice) -> str:
    """Over the table of the page of an ``advice``."""
    return f"What to fit, and how many of 100 such trucks lose it within {life_words(advice)}"


def more_words(advice: Advice) -> tuple[str, ...]:
    """Under the table of the page of an ``advice``: dearer parts that are shown to spare something, and habits of the shop's builds."""
    ups = [f"{capital(u.component)}: {_up(advice, u)}" for c in advice.components for u in c.up if u.shown]
    open_ = [
        f"{capital(c.component)}: {_in_its_place(c, c.instead)}" for c in advice.components if c.instead and not c.pick
    ]
    open_ += [f"{capital(c.component)}: {line}" for c in advice.components for line in _likely(advice, c)]
    decide = [
        f"{capital(c.component)}: {_decide(advice, c.cheaper)}" for c in advice.components if c.cheaper is not None
    ]
    return (*open_, *decide, *ups, *_habits(advice))


def _habits(advice: Advice) -> list[str]:
    """What the shop's builds nearly always have beside a part."""
    return [f"{capital(say(r))}." for r in advice.together]


def page_rows(advice: Advice) -> pd.DataFrame:
    """The table of the page of an ``advice``: one row per component."""
    rows = []
    for one in advice.components:
        c = one.fitted
        if c is None:
            last = one.choices[-1]
            rows.append(
                [one.component, "no answer", "no figure", "", say(last.rules[0]) if last.rules else say(last.records)]
            )
            continue
        says = (
            chance_words(c.chance) if c.chance else f"shown to {_shown(c)}" if isfinite(c.shown_miles) else "no figure"
        )
        fit = (
            c.part
            if c is one.pick
            else f"{c.part}: likely to last; {one.pick.part} is shown"
            if one.pick
            else f"{c.part}: over its published limit"
            if one.cheaper
            else f"{c.part}: not shown to last"
        )
        rows.append([one.component, fit, says, _price(advice, c.price), _seen(c)])
    return pd.DataFrame(rows, columns=HEADINGS)


def _figures(of: object, **names: str) -> dict[str, float]:
    """Attributes by the names of their columns; NaN where there is nothing to take them of."""
    return {column: float("nan") if of is None else getattr(of, name) for column, name in names.items()}


def advice_table(advice: Advice) -> pd.DataFrame:
    """Every part of every component of an ``advice``: advised or not, shares that fail, price, what the records and the rules say."""
    rows = []
    for one in advice.components:
        ups = {u.part: u for u in one.up}
        for c in one.choices:
            up = ups.get(c.part)
            rows.append(
                {
                    "component": c.component,
                    "part": c.part,
                    "advised": c is one.advised,
                    "price": c.price,
                    **_figures(c.chance, fails="estimate", fails_low="low", fails_high="high"),
                    "units": c.seen.units,
                    "failures": c.seen.failures,
                    **_figures(c.published, published_hp="power_hp"),
                    **_figures(c.margin, margin_low="low", margin_high="high"),
                    **_figures(up, spared_per_100="spared"),
                    **_figures(up if up and up.shown else None, cost_per_spared="each"),
                    "says": "; ".join([say(c.records), *map(say, c.rules)]),
                }
            )
    return pd.DataFrame(rows)


def batch_table(trucks: pd.DataFrame, answers: Sequence[Advice | AnalyticsError]) -> pd.DataFrame:
    """The sheet of ``trucks`` with the ``answers`` beside it: the question that came back, the part of each component, price, chance that nothing fails
    (best estimate and supported side), and what has to be said first."""
    return pd.concat([trucks.reset_index(drop=True), pd.DataFrame([_told(answer) for answer in answers])], axis=1)


def _told(answer: Advice | AnalyticsError) -> dict[str, object]:
    if isinstance(answer, AnalyticsError):
        return {"question": str(answer)}
    parts: dict[str, object] = {
        c.component: c.fitted.part if c.fitted and c.fitted is c.pick else f"({c.fitted.part}?)" if c.fitted else ""
        for c in answer.components
    }
    lasts, low, _ = answer.whole.lasts
    whole: dict[str, object] = {
        "price": answer.whole.price,
        "nothing_fails": round(lasts, 3),
        "at_least": round(low, 3),
    }
    return (
        {"question": ""}
        | parts
        | whole
        | {"no_figure_for": ", ".join(answer.whole.unknown), "first": " ".join(first_words(answer))}
    )


def spoken(advice: Advice) -> tuple[str, ...]:
    """The whole ``advice``, line by line, as it is read out."""
    lines = [truck_words(advice), *first_words(advice), *short_words(advice)]
    for one in advice.components:
        told = component_words(advice, one)
        lines.append(f"{capital(one.component)}: {told[0]}")
        lines += [f"  {line}" for line in told[1:]]
    return (
        *lines,
        *whole_words(advice),
        *together_words(advice),
        *basis_words(advice),
        " ".join((*CAUTIONS[:2], LOWEST_LINE)),
    )


def summary(advice: Advice) -> str:
    """The parts of an ``advice``, in one line."""
    told = [f"{c.component} {c.advised.part}" for c in advice.components if c.advised]
    missing = [many(c.component) for c in advice.components if not c.pick]
    return listed(told) + (f"; no answer for {listed(missing)}" if missing else "")
