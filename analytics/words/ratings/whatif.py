"""What moving a limit brings a year, and what other assumptions would do to a rating."""

from __future__ import annotations

from math import isfinite, isnan

from analytics.ratings.settings import RatingSettings
from analytics.ratings.whatif import LimitMove, RatingChanges
from analytics.reasons import Reason, Unfitted
from analytics.words.phrases import article, money, weight
from analytics.words.ratings.predict import distribution_words, few_words
from analytics.words.saying import say, say_all
from analytics.words.units import bare_power, bare_weight, distance, power


def move_words(moved: LimitMove) -> tuple[str, ...]:
    """Units, comebacks and money a year, and what they rest on. moved: the move of a limit."""
    lines = _units(moved)
    if moved.mix.built:
        lines += _comebacks(moved)
        if moved.found:
            lines.append(
                f"Not counted: {moved.found:,} of {moved.span.part} found damaged while the unit was open for something else. That brings no truck in."
            )
    if moved.beyond:
        part, high = moved.span.part, moved.span.high_hp
        lines.append(
            f"No {part} on record runs above {power(moved.highest_hp)}: what is said of {power(high)} lies beyond the records."
        )
    return (*lines, *_money(moved))


def _weights(low: float, high: float) -> str:
    if not low:
        return f"up to {weight(high)}" if isfinite(high) else "any weight"
    return f"{bare_weight(low)} to {weight(high)}" if isfinite(high) else f"over {weight(low)}"


def _units(moved: LimitMove) -> list[str]:
    span, every, mix = moved.span, moved.every, moved.mix
    between = f"between {bare_power(span.low_hp)} and {power(span.high_hp)} at {_weights(span.weight_from, span.weight_up_to)}"
    if mix.basis == "none":
        return [
            f"Nothing with {article(span.component)} was built {between} in all the {mix.years:.2g} years on record: there is "
            "no mix to go by, so neither units nor comebacks can be counted."
        ]
    rises = span.sign > 0
    since = (
        f"the last {mix.years:.2g} years"
        if mix.basis == "last years"
        else f"all {mix.years:.2g} years on record (none in the last {span.years:g})"
    )
    shared = (
        f", and builds of unknown power or weight are shared out in proportion (times {mix.scale:.2f})"
        if mix.scale >= 1.001
        else ""
    )
    parts = every.frame.groupby("part")["count"].sum().sort_values(ascending=False, kind="stable")
    lines = [
        f"{abs(moved.units_a_year):.1f} {'more' if rises else 'fewer'} units a year would get {span.part}: of "
        f"{every.built:,.0f} built {between} in {since}, {mix.built:,.0f} {'did not get it' if rises else 'got it'}{shared}.",
        "They were built with " + ", ".join(f"{name or 'no part stated'} ({n:,})" for name, n in parts.items()) + ".",
    ]
    if not mix.built:
        who = "all of them get" if rises else "none of them gets"
        lines.append(f"So moving the limit changes no build: {who} {span.part} as it is.")
    return lines


def _comebacks(moved: LimitMove) -> list[str]:
    found, part = moved.comebacks, moved.span.part
    if found.reason is not None:
        return _not_known(moved, found.reason)
    lines = []
    if not moved.instead:
        lines.append("Comebacks of the part they get now are not taken off: name it to see the difference.")
    elif found.instead_reason is not None:
        why = say(found.instead_reason)
        lines.append(f"What {moved.instead} would have brought back is not known ({why}): nothing is taken off for it.")
    extra = found.expected >= 0
    low, high = (found.lower, found.upper) if extra else (-found.upper, -found.lower)
    less = f" (less {found.instead:.1f} of {moved.instead})" if isfinite(found.instead) else ""
    lines.append(
        f"Of one year's such units {abs(found.expected):.1f} {'extra' if extra else 'spared'} comebacks are expected by "
        f"{distance(moved.miles)} each{less}; at {moved.level:.0%} the number will lie between {low:,.0f} and {high:,.0f}"
        f"{', where a minus means the other way round' if low < 0 else ''}."
    )
    fit = found.fitted
    lines.append(
        f"{distribution_words(fit)} {fit.share:.0%} of failures are taken to be reported{_share_from(moved.settings)}."
    )
    seen = fit.fitted()[0].data.failures + (fit.early.seen if fit.early.fired else 0)
    return lines + few_words(seen, part)


def _not_known(moved: LimitMove, why: Reason) -> list[str]:
    found, low_hp = moved.comebacks, moved.span.low_hp
    lines = [f"How many would come back is not known: {say(why)} of {moved.span.part}."]
    if isfinite(found.most):
        lines.append(
            f"From the miles its units of more than {power(low_hp)} ran without one, at {moved.level:.0%} confidence at most "
            f"{found.most:.0%} fail by {distance(moved.miles)}: at most {abs(moved.units_a_year) * found.most:.1f} comebacks "
            "a year."
        )
    elif why.code is Unfitted.NO_FAILURE:
        lines.append(f"None of its units runs above {power(low_hp)}, so there is no limit on it either.")
    return lines


def _share_from(settings: RatingSettings) -> str:
    """Where the reporting share comes from, if it is not known."""
    if settings.share is not None or settings.priors.share is None:
        return ""
    return f" (about {settings.usual_share:.0%} assumed, moved a little by the records)"


def _money(moved: LimitMove) -> list[str]:
    bill, part, lines = moved.bill, moved.span.part, list[str]()

    def told(value: float) -> str:
        return money(value, bill.currency)

    def turned(value: float, up: str, down: str) -> str:
        return f"{up if value >= 0 else down} {told(abs(value))}"

    def span(value: float, low: float, high: float) -> str:
        low, high = (low, high) if value >= 0 else (-high, -low)
        return f"{told(low)} to {told(high)}{'; a minus means the other way round' if low < 0 else ''}"

    if isnan(bill.each):
        lines.append("No cost of a comeback is stated (shop.toml [costs] comeback), so there is no bill.")
    elif isfinite(bill.comebacks):
        lines.append(
            f"At {told(bill.each)} a comeback that {turned(bill.comebacks, 'costs', 'saves')} a "
            f"year as expected ({span(bill.comebacks, bill.lower, bill.upper)})."
        )
    if isfinite(bill.parts_saved):
        lines.append(
            f"{part} {turned(bill.price_step, 'is cheaper by', 'costs more by')} a unit than "
            f"{moved.instead or 'what they get now'}: {turned(bill.parts_saved, 'saves', 'costs')} a year."
        )
        net, lower, upper = bill.net
        if isfinite(net):
            lines.append(
                f"All in, it {turned(net, 'costs', 'saves')} a year as expected ({span(net, lower, upper)}, at {moved.level:.0%})."
            )
    elif moved.mix.built and moved.instead:
        lines.append(
            f"No prices of {part} and {moved.instead} are stated (shop.toml [costs.parts]), so the price step is left out."
        )
    return lines


def change_words(changed: RatingChanges) -> tuple[str, ...]:
    """The bound as it stands, then under each other assumption. changed: the ratings under each change."""
    first, *others = changed.table.itertuples()
    where = weight(changed.weight_lb) + (f", {changed.use}" if changed.use else "")
    p = changed.promise
    lines = [
        f"{changed.part} at {where}: {power(first.bound_hp)} to {distance(p.life_miles)}, {p.reliability:.0%} surviving, "
        f"{p.confidence:.0%} sure, before it is rounded down."
        if isfinite(first.bound_hp)
        else f"{changed.part} at {where} has no rating as it stands: {'; '.join(say_all(first.reasons))}."
    ]
    for row in others:
        name = _assumed(row.what, row.value)
        step = f" ({_change(row.change_hp)})" if isfinite(row.change_hp) else ""
        lines.append(
            f"With {name}: {power(row.bound_hp)}{step}."
            if isfinite(row.bound_hp)
            else f"With {name}: no rating ({'; '.join(say_all([r for r in row.reasons if r not in first.reasons] or row.reasons))})."
        )
    if changed.at_wheels is not None:
        lines.append(
            f"{changed.at_wheels:,} powers on record were measured at the wheels; only those move with the loss."
        )
    return tuple(lines)


def _change(hp: float) -> str:
    return f"{hp:+,.0f}" if abs(hp) >= 0.5 else "no change"


def _assumed(what: str, value: float) -> str:
    if what == "life_miles":
        return f"a life of {distance(value)}"
    if what == "reliability":
        return f"{value:.1%} surviving"
    if what == "confidence":
        return f"{value:.0%} sure"
    if what == "driveline loss":
        return f"a loss of {value:.0%} from crank to wheels"
    return "the reporting share left open" if isnan(value) else f"{value:.0%} of failures reported"
