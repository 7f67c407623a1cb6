"""The one budget of false claims of a quarter."""

from __future__ import annotations

from analytics.reasons import Family

#: chance of any false claim in a quarter, everything the review claims taken together: at most one such quarter in ten
FALSE_ALARM = 0.10
#: share of it for each family of claims
BUDGET = {
    Family.LOT_LIFE: 0.30,
    Family.MONTH_INSTALL: 0.15,
    Family.MONTH_LIFE: 0.10,
    Family.BUILDER_INSTALL: 0.04,
    Family.BUILDER_LIFE: 0.04,
    Family.REVISION_LIFE: 0.05,
    Family.SHOP_QUARTER: 0.04,
    Family.COMPONENT_QUARTER: 0.09,
    Family.PART_QUARTER: 0.08,
    Family.BAND_QUARTER: 0.02,
    Family.CLASS_QUARTER: 0.02,
    Family.CAUSE_MIX: 0.03,
    Family.REBUILT: 0.04,
}
