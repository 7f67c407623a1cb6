"""What is said of a shop is said in the units of its own sheets, whatever other shop was read since."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any, TypeVar, cast

if TYPE_CHECKING:
    from analytics.records.shop import Units

Says = TypeVar("Says", bound=Callable[..., Any])


def said_in(units_of: Callable[[Any], Units]) -> Callable[[Says], Says]:
    """A decorator: the function speaks the units that ``units_of`` finds in its first argument."""

    def decorate(say: Says) -> Says:
        @wraps(say)
        def said(first: Any, *others: Any, **more: Any) -> Any:
            from analytics.words.units import speaking  # the door loads nothing heavy

            with speaking(units_of(first)):
                return say(first, *others, **more)

        return cast(Says, said)

    return decorate
