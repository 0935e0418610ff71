"""Options of the people stage."""

from __future__ import annotations

from pydantic import Field

from rallymill.stages.base import StageConfig


class PeopleConfig(StageConfig):
    """What the people stage assumes of boxes, people and the place where they move.

    Pixel sizes hold for a picture 720 pixels high and grow with it. Noise figures were set on
    rendered rallies with known truth.
    """

    min_confidence: float = Field(0.15, ge=0, le=1)
    """Boxes below this are not looked at."""
    start_confidence: float = Field(0.40, ge=0, le=1)
    """A box needs this to start a track."""
    foot_sd_px: float = Field(1.2, gt=0)
    """Standard deviation of a box's bottom edge and middle, besides the share of its height."""
    foot_sd_share: float = Field(0.012, ge=0)
    """Standard deviation that grows with the height of the box: gait, limbs, the racket."""
    foot_lasting_share: float = Field(0.35, ge=0, le=1)
    """Share of that deviation, along the court, that stays the same for seconds: a box ends a
    little above or below a shoe for as long as the shoe looks the same."""
    body_width_m: float = Field(0.62, gt=0)
    """Width of a box without racket and reaching arms; what is more may be on either side."""
    reach_s: float = Field(0.10, ge=0)
    """Time over which a reaching arm or racket stays where it is."""
    near_foot_m: float = Field(0.07, ge=-1, le=1)
    """How far a near player's middle stands behind the lowest image point: the heels."""
    far_foot_m: float = Field(0.24, ge=-1, le=1)
    """The same for a far player, who turns the toes to the camera. Both are means of drawn bodies
    that stand on the ground in validation films (0.07 and 0.24 in every tier)."""
    cut_share: float = Field(0.005, ge=0)
    """A box that comes this close to the lower edge of the picture, as a share of its height, may
    have its feet below it."""
    head_m: float = Field(1.75, gt=0)
    """Height of the top of a person in play, by which people are placed whose feet are cut off."""
    head_sd_m: float = Field(0.12, gt=0)
    """Standard deviation of that height: stature and crouching."""
    posture_sd_m: float = Field(0.05, ge=0)
    """What gait and posture leave uncertain across the court however long one looks."""
    posture_along_sd_m: float = Field(0.09, ge=0)
    """The same along the court: the lowest shoe is now the front one, now the back one."""
    manoeuvre_m2ps3: float = Field(2.5, gt=0)
    """Spectral density of the white acceleration of a person."""
    start_speed_sd_mps: float = Field(2.5, gt=0)
    """Standard deviation of a person's speed in each direction before it is measured."""
    gate_nis: float = Field(16.0, gt=0)
    """A box further from a track than this (squared standard deviations) is not its own."""
    wild_nis: float = Field(9.0, gt=0)
    """Measurements further off than this are weighted down."""
    hop_m: float = Field(0.12, ge=0)
    """Height of a hop that a track must bear without losing its player."""
    take_offs_per_s: float = Field(1.0, gt=0)
    """How often a player leaves the ground in play: about once a stroke."""
    air_s: float = Field(0.15, gt=0)
    """How long a player then stays in the air."""
    air_base_rate: float = Field(0.03, gt=0, lt=1)
    """Share of frames in the air at which ``detections.airborne`` is taken to speak neither for air
    nor for ground. Its probabilities are for a share of 0.2, of frames picked around hops; of all
    frames of films 0.03 are in the air, and with that landings are told best."""
    silence_s: float = Field(0.08, gt=0)
    """Farther than this in time from any look at the feet, their height is not known."""
    look_memory_s: float = Field(0.1, gt=0)
    """Looks at feet that are closer in time than this err together."""
    bridge_s: float = Field(1.0, gt=0)
    """Longest gap that is bridged."""
    relink_s: float = Field(8.0, ge=0)
    """Longest cut away from the court over which a player keeps the track number."""
    max_speed_mps: float = Field(8.0, gt=0)
    """Nobody runs faster (from memory: elite sprint times over 5 and 20 m)."""
    shortest_m: float = Field(1.0, gt=0)
    """A view in which people are usually shorter than this has a wrong court, and nobody in it."""
    tallest_m: float = Field(2.7, gt=0)
    """The same for taller; boxes hold rackets, and a player in a wheelchair is 1.2 m tall."""
    half_width_m: float = Field(11.0, gt=0)
    """People further from the court's long axis are spectators and left out."""
    half_length_m: float = Field(21.0, gt=0)
    """People further from the net along the court are spectators and left out."""
    min_track_s: float = Field(0.2, gt=0)
    """Tracks seen for less time are left out."""
    min_role_score: float = Field(0.0)
    """Score a second below which nobody is taken for a player."""
