"""What to do first, in the few words that the subject of an urgent letter has room for; the letter says how."""

from __future__ import annotations

_SHORT = {
    ("heater", "check"): "look at the heat", ("heater", "stop"): "unplug the heat", ("heater", "less"): "turn the heat down",
    ("heater", "more"): "heat more", ("vent", "open"): "let air in", ("vent", "close"): "close a vent",
    ("fan", "more"): "run the fan", ("fan", "less"): "run the fan less", ("mister", "more"): "mist more",
    ("mister", "less"): "mist less", ("mister", "stop"): "stop misting", ("water", "more"): "wet the granules",
    ("water", "less"): "take wet granules out", ("water", "check"): "soak up water",
    ("lid", "check"): "look at the lid", ("lid", "wipe"): "wipe the lid",
    ("lid", "insulate"): "insulate the lid", ("room", "less"): "see to the room",
    ("room", "more"): "see to the room", ("room", "move"): "carry the box", ("room", "check"): "look at the power",
    ("probe", "check"): "look at the probe", ("probe", "move"): "move the probe", ("garden", "insulate"): "wrap the box",
    ("garden", "close"): "cover the garden",
}  # fmt: skip


def short_of(device: str | None, change: str | None, amount: float | None) -> str | None:
    """Return the first step in two to four words; None: it has no short name, or nothing is asked."""
    if (device, change, amount) == ("heater", "more", None):
        return "get the heat back"  # whoever turns it up is told by how much
    return _SHORT.get((device or "", change or ""))
