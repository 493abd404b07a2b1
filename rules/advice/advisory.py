"""The one advisory of a chamber: given, updated, reminded, verified, resolved or withdrawn; never two, never flapping.

`rules.advice.plan` says what should be told now; here is its life: the difference to what was last told, what the keeper did,
and what came of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

from rules.advice.again import is_again, may_stand, remembered, searched_at
from rules.advice.branches import LOOKS
from rules.advice.cause import Cause
from rules.advice.goal import goal_of
from rules.advice.heat import aired, cleared, over_by_itself
from rules.advice.looks import UPDATE_NOT_BEFORE_MS, is_reminder_due
from rules.advice.plan import findable_keys, searched, without_search
from rules.advice.planned import Plan, judged_by
from rules.advice.put_back import LEFT, hot_in_an_hour
from rules.advice.quiet import EMERGENCIES, PROBE_AGAIN_MS, TAKES_BACK, at_work, harms_on, hushed
from rules.advice.recalled import asked_still, follows_room, overdue, seen_heated
from rules.advice.set_point import cold_tonight
from rules.advice.standing import Standing, climate_stands, lost_from_sight, probes_stand
from rules.advice.state import AdviceState, Asked, OpenAdvice, Worth
from rules.advice.steady import steadied
from rules.advice.still_changed import still_changed
from rules.advice.text import (
    act_within_s,
    beyond_devices,
    cautions_of,
    headline_of,
    in_keepers_unit,
    lacking_of,
    predictions_of,
    reason_of_plan,
)
from rules.advice.told import told_forecast, told_move, told_without
from rules.advice.tried import bare_of_hope, counted, in_vain_text, is_next_try
from rules.advice.verification import in_vain_so_far, is_seen, judge, noticed_fading, noticed_relapse, taught, verdict_text
from rules.advice.worth import awaited
from rules.climate.past_moves import Moves
from rules.climate.situation import Situation
from rules.keeper.devices import told_knobs
from rules.settings import Chamber, Settings
from rules.terms.advised import Prediction, Reach
from rules.terms.events import MINUTE_MS, AdviceEvent, Priority
from rules.trade import practice
from rules.trade.acts import ACTS
from rules.trade.alarm_kinds import ALARMS
from rules.trade.emergencies import OUTWEIGHED_BY_HEAT

WORDINGS_KEPT = 8  # bookkeeping

URGENT_LOOK_S = 3600
"""However slowly a change works: what would wake the keeper, or is to be done within this, is looked at again after it; common
practice, no source."""
Status = Literal["given", "updated", "resolved", "withdrawn", "reminded", "verified"]
URGENCY: tuple[Priority, ...] = ("digest", "morning", "today", "wake")
MATERIAL_SHARE = 0.6
"""An amount that differs by more than this share is a material change. Own estimate."""
QUIET_AFTER_MS = 30 * MINUTE_MS  # own estimate
_NOTHING_TO_DO: dict[str, Any] = {
    "actions": [], "cautions": [], "never": [], "reaches": [], "boxes": [], "device": None, "change": None, "amount": None,
    "unit": None, "act_within_s": None, "look_again_s": None,
}


def consider(
    settings: Settings, chamber_id: str, state: AdviceState, situation: Situation, standing: Mapping[str, Standing],
    origin: str, moves: Callable[[], tuple[Moves, ...]] = tuple, *, worse: bool = False,
) -> tuple[AdviceState, list[AdviceEvent]]:
    """Return the state after this instant and what must be told: nothing, unless it changed materially.

    `moves`: how far its figures moved by themselves over the last days, asked for only where something is predicted.
    `worse`: it has just become worse: the letter that says so says what to do now, whatever was done and told before.
    """
    chamber = settings.chambers[chamber_id]
    state = seen_heated(aired(cleared(_hottest(state, situation), situation), situation), situation)
    events: list[AdviceEvent] = []
    talk = _Talk(settings, chamber, chamber_id, situation, standing, origin, state.worth, moves)
    if state.open is not None and state.open.done_ms is not None:
        state = talk.after_done(state, events)
    talk.next_try = is_next_try(state, talk.steady, standing)
    if at_work(chamber, state, situation, standing, worse=worse and not situation.may_lie):
        return state, events
    quiet = situation.visiting and not _presses(situation, standing)
    found = None if quiet else without_search(chamber, state, talk.steady, standing)
    state = noticed_relapse(chamber, state, situation, standing)
    before, state = state, noticed_fading(chamber, state, situation, standing)
    now = searched_at(before, talk.steady, found, standing) if isinstance(found, Cause) else None
    again = isinstance(found, Cause) and now and (is_again(state.searches, now) or talk.search_is_idle(before, found))
    if again and not worse:
        return talk.reminded(state, events), events
    wanted = searched(chamber, before, talk.steady.but(moves=moves()), found) if isinstance(found, Cause) else found
    if wanted is not None and wanted.follows:
        return talk.led(state, events), events
    if (wanted is None or not _stands(wanted, standing)) and any(row.condition == "held" for row in standing.values()):
        return state, events  # not seen, and no probe is missed yet: neither over nor to be said once more
    if not _stands(wanted, standing):
        return talk.closed(state, events), events
    searches = [] if now is None else remembered(state.searches, now)
    if wanted is None or (not worse and hushed(state, wanted, situation, standing)):
        return talk.reminded(replace(state, searches=searches if wanted is None else []), events), events
    return replace(talk.told(state, wanted, events), searches=searches), events


def _stands(wanted: Plan | None, standing: Mapping[str, Standing]) -> bool:
    """Return whether there is something to advise on: an alarm, a probe to look at, a heater to plug in or turn up again."""
    asks = ("probe", "plug-in", "plug-back", *TAKES_BACK, "together")
    if climate_stands(standing) or (wanted is not None and wanted.branch in asks):
        return True
    return wanted is not None and wanted.branch == "no-humidity" and bool(probes_stand(standing))


def _presses(situation: Situation, standing: Mapping[str, Standing]) -> bool:
    """Return whether work in the tank does not explain it: heat, a heater that fails, or cold that does harm."""
    active = [row for row in standing.values() if row.condition == "active" and ALARMS[row.alarm].harm == "cold"]
    hot = situation.temperature_c is not None and situation.temperature_c >= practice.HEAT_FIRST_C
    return hot or any(row.alarm == "heater-failed" or row.level == "harmful" for row in active)


def _hottest(state: AdviceState, situation: Situation) -> AdviceState:
    """Return the state with the highest temperature since the heater was unplugged: the box gets warmer for a while yet."""
    t, unplugged = situation.temperature_c, told_knobs(situation.changes).get("heater_plugged", 1.0) == 0.0
    if t is None or not unplugged or (state.stopped_c is not None and t <= state.stopped_c):
        return state
    return replace(state, stopped_c=t)


class _Talk:
    """One call's surroundings, so that the steps of an advisory's life need not pass them on."""

    def __init__(
        self, settings: Settings, chamber: Chamber, chamber_id: str, situation: Situation, standing: Mapping[str, Standing],
        origin: str, worth: Mapping[str, Worth], moves: Callable[[], tuple[Moves, ...]],
    ) -> None:
        self.settings, self.chamber, self.chamber_id = settings, chamber, chamber_id
        self.situation, self.standing, self.origin, self.worth, self.moves = situation, standing, origin, worth, moves
        self.at_ms, self.next_try = situation.at_ms, False
        sudden = any(ALARMS[row.alarm].sudden and row.condition == "active" for row in standing.values())
        # What is sudden is judged by the moment; what moves several at once too, but within the swing that they always have.
        self.steady = situation if sudden else steadied(chamber, situation, standing)

    # ------------------------------------------------------------ what is told

    def told(self, state: AdviceState, wanted: Plan, events: list[AdviceEvent]) -> AdviceState:
        """Return the state after a plan was given or updated, or after nothing new was said of it."""
        now = state.open
        if now is not None and now.done_ms is None and not self._material(state, now, wanted):
            return self.reminded(state, events)
        if wanted.branch != "heat" and "heater:stop" not in wanted.keys:
            state = over_by_itself(state, self.at_ms)
        fresh = now is None or now.done_ms is not None
        if now is not None and fresh:
            text = "Something more urgent came before this could be judged"
            state = counted(state, "cannot tell", in_vain_so_far(state, self.situation, self.standing))
            state = self._say(state, "withdrawn", events, headline=text, reason=self._state_text(), **_NOTHING_TO_DO)
        counter = state.counter + 1 if fresh else state.counter
        advisory = f"{self.chamber_id}-{counter}" if fresh or now is None else now.advisory
        moves = self.moves()
        self.steady, self.situation = self.steady.but(moves=moves), self.situation.but(moves=moves)
        predictions = predictions_of(wanted, self.steady, self.worth)
        in_vain = in_vain_text(state, wanted, self.standing)
        opened = self._opened(advisory, wanted, now if not fresh else None, in_vain)
        opened.awaited = awaited(predictions, self.at_ms, watered=wanted.waters)
        state = replace(
            state, counter=counter, open=opened, last=now if fresh and now is not None else state.last,
            checked_ms=asked_still(state, wanted.acts, self.at_ms)
            | {act: self.at_ms for act in wanted.acts if ACTS[act].knob == "none"},
            left_ms=state.left_ms | {act: self.at_ms for act in wanted.acts if act in LEFT},
        )
        if not wanted.moves or wanted.branch in TAKES_BACK:
            told = {name: at_ms for name, at_ms in state.repeated_ms.items() if self.at_ms - at_ms < PROBE_AGAIN_MS}
            state = replace(state, repeated_ms=told | {" ".join(wanted.acts): self.at_ms})
        return self._say(state, "given" if fresh else "updated", events, () if in_vain else predictions)

    def search_is_idle(self, state: AdviceState, cause: Cause) -> bool:
        """Return whether no plan that a search in this cell may find would be told: most looks at standing advice are such.

        It says beforehand what `_material` would say of any such plan.
        """
        now = state.open
        if now is None or now.done_ms is not None or now.branch in ("heat", "warming", "together"):
            return False
        if not climate_stands(self.standing):
            return False
        if self._opposed(now) or URGENCY.index(self._urgency("cell")) > URGENCY.index(now.urgency):
            return False
        if self.at_ms - now.told_ms < UPDATE_NOT_BEFORE_MS:
            return True
        if overdue(cause, now.acts) or (now.branch, now.cell) != ("cell", cause.cell.number):
            return False
        findable, sized = findable_keys(state, cause, self.at_ms)
        return not findable.issuperset(now.keys) or not (any(now.amounts) or sized.intersection(now.keys))

    def _material(self, state: AdviceState, now: OpenAdvice, wanted: Plan) -> bool:
        """Return whether the plan differs so much from what was told that it must be told again."""
        urgency = self._urgency(wanted.branch, wanted.wakes)
        if wanted.keys != now.keys and self._opposed(now):
            return True
        if URGENCY.index(urgency) > URGENCY.index(now.urgency) or (wanted.branch == "heat") != (now.branch == "heat"):
            return True
        if wanted.branch in EMERGENCIES and self._turned_lethal(now):
            return True
        if wanted.branch in LOOKS and wanted.keys != now.keys:
            return True  # what was told before may be water
        cause = wanted.cause if wanted.branch == now.branch == "cell" else None
        asks = set[str]() if cause is None else findable_keys(state, cause, self.at_ms)[0]
        helps = cause is not None and overdue(cause, now.acts) and not overdue(cause, wanted.acts)
        if not helps and may_stand(now, wanted.keys, asks, self.steady, self.standing):
            return False
        if wanted.branch != now.branch and ("together" in (wanted.branch, now.branch) or now.branch == "warming"):
            return True
        if self.at_ms - now.told_ms < UPDATE_NOT_BEFORE_MS:
            return False
        told, texts = ([row.text for row in rows if row.change != "hold"] for rows in (now.event.actions, wanted.actions))
        if wanted.branch in EMERGENCIES and texts != told:
            return True  # in an emergency the same kind of act can be another one: warm the room, carry the box
        cell = now.cell if wanted.branch == "plug-in" else 0 if wanted.cause is None else wanted.cause.cell.number
        if helps or (wanted.branch, cell) != (now.branch, now.cell):
            return wanted.keys != now.keys
        if wanted.keys != now.keys:
            return False  # the same cell with another winner by a hair is no news
        pairs = zip(now.amounts, wanted.amounts, strict=False)
        share = 0.0 if wanted.cause is not None and "water-unanswered" in wanted.cause.facts else MATERIAL_SHARE
        return any(abs(a - b) > share * max(abs(a), abs(b), 1e-9) for a, b in pairs)

    def _turned_lethal(self, now: OpenAdvice) -> bool:
        t, before = self.situation.temperature_c, now.start_c
        if t is None or before is None:
            return False
        return t <= practice.LETHAL_COLD_C < before or before < practice.HEAT_FIRST_C <= t

    def _urgency(self, branch: str, wakes: bool = False) -> Priority:
        """Return the highest priority among the alarms that this answers; a runaway wakes whatever they say."""
        if branch == "heat" or wakes:
            return "wake"
        if branch == "warming":
            return "today"
        rows = [row for row in self.standing.values() if row.condition == "active" and row.priority in URGENCY]
        rows += lost_from_sight(self.standing) if branch == "probe" else []
        found = [row.priority for row in rows if branch != "plug-in" or ALARMS[row.alarm].harm != "dryness"]
        found += ["today"] if branch in ("plug-in", "left-out") else []  # without its heat no cold is mild
        calm = branch in ("turn-up", "room-back", "place-back")
        goal = goal_of(self.chamber, self.situation)
        calm = calm and not cold_tonight(self.situation, goal) and not hot_in_an_hour(self.situation, goal)
        least: Priority = "digest" if branch in ("close-again", "centre") else "morning" if calm else "today"
        most = URGENCY[max((URGENCY.index(name) for name in found), default=URGENCY.index(least))]
        return "today" if most == "wake" and branch == "cell" and self.next_try else most

    def _opened(self, advisory: str, wanted: Plan, before: OpenAdvice | None, in_vain: str) -> OpenAdvice:
        situation, cause = self.steady, wanted.cause
        wait_s = practice.wait_s(judged_by(wanted.acts, wanted.moves, wanted.forecasts))
        if wanted.branch in ("heat", "lid-open"):
            wait_s = 900
        event, amounts = self._event(wanted, wait_s, in_vain), wanted.amounts
        earlier = [] if before is None else before.earlier
        if before is not None:
            again = (before.keys, before.amounts) == (wanted.keys, amounts)  # only its urgency is another
            earlier = earlier if again else [*earlier, replace(before, earlier=[])][-WORDINGS_KEPT:]
            event.revision = before.event.revision + (not again)
        return OpenAdvice(
            advisory=advisory, branch=wanted.branch, cell=0 if cause is None else cause.cell.number, case=event.case,
            lid_wet=cause is not None and cause.lid_wet, urgency=event.urgency,
            given_ms=before.given_ms if before is not None else self.at_ms, told_ms=self.at_ms,
            look_again_ms=self.at_ms + wait_s * 1000, keys=wanted.keys, acts=list(wanted.acts),
            amounts=amounts, moves=[told_move(move) for move in wanted.moves],
            forecasts=[told_forecast(row, self.at_ms) for row in wanted.forecasts],
            without=[] if wanted.solution is None else [told_without(row, situation) for row in wanted.solution.without],
            event=event, start_c=situation.temperature_c, start_pct=situation.relative_humidity_pct,
            start_margin_k=situation.dew_margin_k, start_room_c=situation.room_temperature_c, earlier=earlier,
        )

    def _event(self, wanted: Plan, wait_s: int, in_vain: str) -> Asked:
        """Return what the event says beside its predictions."""
        situation, first, urgency = self.situation, wanted.actions[0], self._urgency(wanted.branch, wanted.wakes)
        within_s = self._within_s(wanted.branch, wanted.reaches)
        soon = urgency == "wake" or (within_s is not None and within_s <= URGENT_LOOK_S)
        return Asked(
            device=first.device, change=first.change, amount=first.amount, unit=first.unit,
            reason=reason_of_plan(bare_of_hope(wanted) if in_vain else wanted, situation, self.steady, self.worth) + in_vain,
            cautions=list(cautions_of(wanted, self.chamber)), actions=list(wanted.actions),
            never=[row.text for row in wanted.never], reaches=list(wanted.reaches), boxes=list(wanted.boxes),
            case=None if wanted.cause is None else wanted.cause.case, urgency=urgency,
            act_within_s=within_s, look_again_s=min(wait_s, URGENT_LOOK_S) if soon else wait_s,
            lacking=list(lacking_of(wanted, situation)), headline=headline_of(wanted),
            beyond_devices=beyond_devices(wanted) or bool(in_vain),
        )

    def _within_s(self, branch: str, reaches: Sequence[Reach] = ()) -> int | None:
        """Return how soon to act; in heat a quarter of an hour where nothing else tells it."""
        within = act_within_s(self.situation, self.chamber, self.standing, reaches)
        return 900 if branch == "heat" and within is None else within

    def _say(
        self, state: AdviceState, status: Status, events: list[AdviceEvent], predictions: tuple[Prediction, ...] = (),
        **changed: Any,
    ) -> AdviceState:
        assert state.open is not None
        unit = self.settings.site.temperature_unit
        body: dict[str, Any] = vars(state.open.event) | changed
        body["reaches"], body["boxes"] = tuple(body["reaches"]), tuple(body["boxes"])
        body["actions"] = tuple(replace(row, text=in_keepers_unit(row.text, unit)) for row in body["actions"])
        body["still_changed"] = still_changed(self.chamber, state, self.situation)
        for key in ("cautions", "never", "lacking", "still_changed"):
            body[key] = tuple(in_keepers_unit(text, unit) for text in body[key])
        for key in ("headline", "reason"):
            body[key] = in_keepers_unit(body[key], unit)
        serial = state.serial + 1
        events.append(
            AdviceEvent(
                id=f"{self.origin}/advice/{self.chamber_id}/{serial}", at_ms=self.at_ms, chamber=self.chamber_id,
                advisory=state.open.advisory, status=status, predictions=predictions, **body,
            )
        )
        return replace(state, serial=serial)

    # ------------------------------------------------------------ reminding

    def reminded(self, state: AdviceState, events: list[AdviceEvent]) -> AdviceState:
        """Return the state after a reminder, if one is due: not done, not acknowledged, and its time has come."""
        now = state.open
        if now is None or self._opposed(now) or not is_reminder_due(self.settings.telling, now, self.standing, self.at_ms):
            return state
        urgency = self._raised(now)
        event = replace(now.event, urgency=urgency)
        state = replace(state, open=replace(now, reminders=now.reminders + 1, urgency=urgency, event=event))
        within_s = None if now.event.act_within_s is None else self._within_s(now.branch)  # what was found then is over
        return self._say(state, "reminded", events, reason=self._state_text(), reaches=[], act_within_s=within_s)

    def _raised(self, now: OpenAdvice) -> Priority:
        """Return the urgency of a second reminder: one step higher, but nobody is woken for what did not wake at first."""
        if now.reminders < 1 or now.urgency in ("today", "wake"):
            return now.urgency
        return URGENCY[URGENCY.index(now.urgency) + 1]

    def _opposed(self, now: OpenAdvice) -> bool:
        """Return whether an alarm that stands forbids what was advised before it: then it is not told once more."""
        outweighed = OUTWEIGHED_BY_HEAT if now.branch == "heat" else frozenset[str]()
        active = {row.alarm for row in self.standing.values() if row.condition == "active"}
        return any(ALARMS[alarm].speaks_against(now.keys) for alarm in active - outweighed)

    # ------------------------------------------------------------ the end, and what came of it

    def closed(self, state: AdviceState, events: list[AdviceEvent]) -> AdviceState:
        """Return the state after nothing stands any more: resolved if all is back in band, else withdrawn."""
        now = state.open
        if now is None:
            return state
        state, back = over_by_itself(state, self.at_ms), self._back()
        status: Status = "resolved" if back else "withdrawn"
        reason = self._state_text() + (
            " All is back in its band." if back else " The alarm behind this advice no longer stands: it is withdrawn."
        )
        headline = "All is back in its band: nothing more to do" if back else "Advice withdrawn: its reason no longer stands"
        state = self._say(state, status, events, headline=headline, reason=reason, **_NOTHING_TO_DO)
        failures = 0 if back else state.water_failures
        return replace(state, open=None, last=now, quiet_until_ms=self.at_ms + QUIET_AFTER_MS, water_failures=failures)

    def led(self, state: AdviceState, events: list[AdviceEvent]) -> AdviceState:
        """Return the state after another chamber of the room began to tell it for all."""
        now = state.open
        if now is None or now.done_ms is not None:
            return state
        text = "Withdrawn: it is told for all boxes of the room together"
        state = self._say(state, "withdrawn", events, headline=text, reason=self._state_text(), **_NOTHING_TO_DO)
        return replace(state, open=None, last=now)

    def _back(self) -> bool:
        goal, s = goal_of(self.chamber, self.situation), self.situation
        warm = s.temperature_c is not None and goal.low_c <= s.temperature_c <= goal.high_c
        rh, unseen = s.relative_humidity_pct, any(row.condition == "held" for row in self.standing.values())
        if rh is None:
            return warm and s.humidity_read_ms is None and not unseen
        return warm and rh <= goal.high_pct and (rh >= goal.low_pct or not goal.dryness_matters) and not unseen

    def _state_text(self) -> str:
        s = self.situation
        if s.temperature_c is None:
            return "Nothing is seen now."
        damp = "" if s.relative_humidity_pct is None else f" and {s.relative_humidity_pct:.0f} %RH"
        return f"It is {s.temperature_c:.1f} °C{damp}."

    def after_done(self, state: AdviceState, events: list[AdviceEvent]) -> AdviceState:
        """Return the state after a done advisory's time to be judged has come: the verdict told, the gains learned."""
        now = state.open
        if now is None or not (is_seen(now, self.situation) or harms_on(now, self.situation, self.standing)):
            return state
        calibrated = state.metrology_until_ms is not None and state.metrology_until_ms > self.at_ms
        verdict = judge(now, self.steady, follows_room(self.chamber, state), calibrated=calibrated)
        worse = in_vain_so_far(state, self.situation, self.standing)
        text = verdict_text(now, verdict, worse)
        state = counted(taught(state, now, verdict, self.steady), verdict.said, worse)
        state = self._say(
            state, "verified", events, headline=text, reason=verdict.because, effect=verdict.said,
            **_NOTHING_TO_DO,
        )
        return replace(state, open=None, last=now, quiet_until_ms=None)
