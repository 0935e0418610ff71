"""Contacts with what a person stated of a stroke: its hit moved, its bounce put where it was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from rallymill import court
from rallymill.corrections.matching import Key
from rallymill.corrections.rows import Value
from rallymill.stages.shots import BY_HAND_SD_M
from rallymill.stages.shots_rally import DOUBLED_HIT_S, LONGEST_GAP_S, NAN, Event

STATED_SD_S = 0.02
FLIGHT_S = 0.8
"""When a ball comes down of which only the place is stated; common practice, no source."""
PLACED = {
    "contact_x_m": "x_m", "contact_y_m": "y_m", "contact_z_m": "z_m",
}  # fmt: skip
BOUNCED = {"bounce_x_m": "x_m", "bounce_y_m": "y_m", "t_bounce_s": "t_s"}

Contacts = list[tuple[int, Event]]


@dataclass
class Known:
    """A stroke: its contact as the machine read it (None: added by hand) and as it is now."""

    machine: Event | None
    hit: Event
    keys: list[Key]
    stated: dict[str, Value] = field(default_factory=dict)
    removed: bool = False

    @property
    def touched(self) -> bool:
        """Whether a correction changed the stroke."""
        return self.machine is None or bool(self.stated)


def doubles(event: Event, gone: Sequence[Event]) -> bool:
    """Whether a hit that was left out as a doubled one doubles a stroke that was removed."""
    return event.kind == "hit" and any(
        event.side == hit.side and abs(event.t_s - hit.t_s) < DOUBLED_HIT_S for hit in gone)


def rally_near(events: Contacts, t_s: float) -> int:
    """Rally of the contact nearest in time; a number of its own where none is near."""
    nearest = min(events, key=lambda pair: abs(pair[1].t_s - t_s), default=None)
    if nearest is not None and abs(nearest[1].t_s - t_s) <= LONGEST_GAP_S:
        return nearest[0]
    return max((rally_id for rally_id, _ in events), default=-1) + 1 + int(t_s)


def restated_hit(stroke: Known) -> Event:
    """The contact of a stroke with what was stated of it."""
    before = stroke.machine or stroke.hit
    stated = stroke.stated
    side = str(stated.get("hitter", before.side))
    hit = replace(
        before, side=side, stated=_words_of(stated), by_hand=True, confidence=1.0,
        t_s=float(stated.get("t_contact_s", before.t_s)),  # type: ignore[arg-type]
    )
    if "t_contact_s" in stated:
        hit = replace(hit, t_s_sd=STATED_SD_S)
    if side != before.side and before.y_m == before.y_m and court.side_of(before.y_m) != side:
        # The place was that of somebody on the other side.
        hit = replace(
            hit, x_m=NAN, y_m=NAN, z_m=NAN, x_m_sd=NAN, y_m_sd=NAN, z_m_sd=NAN)  # fmt: skip
    return _placed(hit, PLACED, stated)


def _words_of(stated: Mapping[str, Value]) -> dict[str, Value]:
    """What the table of shots is to say as it was stated; the rest goes by way of the contacts."""
    by_contact = {"hitter", "t_contact_s", *PLACED, *BOUNCED}
    return {name: value for name, value in stated.items() if name not in by_contact}


def _placed(event: Event, names: Mapping[str, str], stated: Mapping[str, Value]) -> Event:
    changes: dict[str, float] = {}
    for name, attribute in names.items():
        if name in stated:
            value = stated[name]
            changes[attribute] = NAN if value is None else float(value)
            if attribute != "t_s":
                changes[f"{attribute}_sd"] = NAN if value is None else BY_HAND_SD_M
    return replace(event, **changes)  # type: ignore[arg-type]


def restate_bounce(contacts: Contacts, stroke: Known) -> bool:
    """Put the first bounce after a stroke where it was stated, in place.

    False where no bounce was read and the stated cells do not make one.
    """
    stated = {name: stroke.stated[name] for name in BOUNCED if name in stroke.stated}
    start = next(k for k, (_, event) in enumerate(contacts) if event is stroke.hit)
    rally_id, hit = contacts[start]
    end_s = hit.t_s + LONGEST_GAP_S
    for k in range(start + 1, len(contacts)):
        own_rally, event = contacts[k]
        if event.kind == "hit" or event.t_s > hit.t_s + LONGEST_GAP_S:
            end_s = event.t_s
            break
        if event.kind == "bounce":
            if stated.get("bounce_x_m", 0) is None or stated.get("bounce_y_m", 0) is None:
                del contacts[k]
                return True
            if stated.get("t_bounce_s", 0) is None:
                stated.pop("t_bounce_s")
            moved = replace(_placed(event, BOUNCED, stated), confidence=1.0)
            if moved.y_m == moved.y_m:
                moved = replace(moved, side=court.side_of(moved.y_m))
            contacts[k] = (own_rally, moved)
            contacts.sort(key=lambda pair: pair[1].t_s)
            return True
    x, y = stated.get("bounce_x_m"), stated.get("bounce_y_m")
    if x is None or y is None:
        return all(value is None for value in stated.values())
    t_s = stated.get("t_bounce_s")
    when = hit.t_s + min(FLIGHT_S, 0.5 * (end_s - hit.t_s)) if t_s is None else float(t_s)
    bounce = Event(
        when, "bounce", court.side_of(float(y)), float(x), float(y), court.BALL_RADIUS_M,
        BY_HAND_SD_M, BY_HAND_SD_M, 0.0, 0.2 if t_s is None else STATED_SD_S, None, None, 1.0,
        by_hand=True,
    )  # fmt: skip
    contacts.append((rally_id, bounce))
    contacts.sort(key=lambda pair: pair[1].t_s)
    return True
