"""Field-return analytics for a small shop that builds performance transmissions for trucks.

``first_look`` at a folder that has no settings yet; ``read`` a shop's folder of sheets, or ``from_frames``; then ask: ``survival``, ``rate``, ``review``, ``forecast``, ``cutoff``,
``load``, ``advise``; ``measured`` says how often such answers are right. What a question needs is loaded when it is asked.
"""

# Two names are taken twice: the folder ``review`` is loaded here, before the question of that name is bound, because the
# first import of a folder binds its name. ``from analytics.review.quarterly import ...`` finds the folder as ever.
import analytics.review as _folder  # noqa: F401
from analytics.api.first_look import FirstLook, first_look
from analytics.api.open_form import open_shop
from analytics.api.questions import advise, cutoff, forecast, load, measured, rate, review, survival
from analytics.api.results import (
    AdviceResult,
    AnswerResult,
    CheckResult,
    CutoffResult,
    ForecastResult,
    LoadResult,
    MeasuredResult,
    Picture,
    RatingResult,
    ReviewResult,
    SurvivalResult,
)
from analytics.api.shop import ShopRecords, from_frames, read
from analytics.api.stages import Stages
from analytics.errors import AnalyticsError, NotEnoughData, RecordsError

__all__ = [
    "AdviceResult",
    "AnalyticsError",
    "AnswerResult",
    "CheckResult",
    "CutoffResult",
    "FirstLook",
    "ForecastResult",
    "LoadResult",
    "MeasuredResult",
    "NotEnoughData",
    "Picture",
    "RatingResult",
    "RecordsError",
    "ReviewResult",
    "ShopRecords",
    "Stages",
    "SurvivalResult",
    "advise",
    "cutoff",
    "first_look",
    "forecast",
    "from_frames",
    "load",
    "measured",
    "open_shop",
    "rate",
    "read",
    "review",
    "survival",
]


def __getattr__(name: str) -> str:
    if name == "__version__":
        from importlib.metadata import version

        return version("analytics")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), "__version__"})
