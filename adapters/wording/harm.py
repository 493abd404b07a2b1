"""What is used up of what a garden bears, in words that say what the figure is: an estimate, no measured dose."""

from __future__ import annotations

from collections.abc import Sequence

from adapters.wording.figures import span
from rules.terms.condition_changes import Harm


def harm_lines(harms: Sequence[Harm]) -> list[str]:
    """Return one line for each account: share, what is left at this pace and at the steepest, and how it was judged."""
    return [f"{harm.kind}: {_share(harm)}{_rest(harm)}" for harm in harms]


def harm_sentences(harms: Sequence[Harm]) -> list[str]:
    """Return the same for one who does not ask for it, of what is worth it: one percent and more."""
    return [
        f"{_share(harm).capitalize()} of what such a garden bears of {harm.kind} is used up (an own estimate)."
        for harm in harms
        if harm.used >= 0.01
    ]


def _share(harm: Harm) -> str:
    return "all" if harm.used >= 1.0 else f"about {100.0 * harm.used:.0f} %"


def _rest(harm: Harm) -> str:
    if harm.used >= 1.0:
        return ""
    if harm.left_s is None:
        return "; it is back in its band and gets over it"
    early = "" if harm.early_left_s in (None, harm.left_s) else f", at the earliest {span(harm.early_left_s or 0.0)}"
    seen = "; it goes on as it went when it was last seen" if harm.carried else ""
    return f"; at this pace the rest lasts about {span(harm.left_s)}{early}{seen}"
