"""Recovery after a wide ball, and the split step."""

from dataclasses import replace

import numpy as np
import pytest

from rallymill.tactics_motion import AIR_SD_M, GROUND_SD_M, PlayerTrack
from tests.rules.planted import bisector_x_m, clear, look, play, point, reply_to, shot, standing

WIDE = {
    "contact_x_m": 4.6, "hitter_x_m": 4.2, "bounce_x_m": 1.0, "direction": "down_the_line",
}


def wide(left_m: float, **changes):
    """Near player's wide ball, after which the player stays ``left_m`` short of the place."""
    row = shot(**WIDE)
    reply = reply_to(row, t_contact_s=row["t_contact_s"] + 1.7)
    place = bisector_x_m(reply, reply["opponent_y_m"])
    return [row, reply | {"opponent_x_m": place + left_m} | changes]


def test_no_shots():
    assert look("recovery", play([])) == ([], [])
    assert look("split_step", play([])) == ([], [])


def test_standing_short_of_the_place():
    found, _ = look("recovery", play(wide(3.0)))
    assert len(found) == 1
    assert found[0].side == "near" and found[0].player == "MAR" and found[0].kind == "fault"
    assert "3.0 m short" in found[0].sentence and "standing" in found[0].sentence
    assert {e.name: e.value for e in found[0].evidence}["time to recover"] == pytest.approx(1.7)


def test_still_moving_is_late():
    rows = wide(2.5)
    rows[1]["opponent_vx_mps"] = -2.5
    found, _ = look("recovery", play(rows))
    assert found[0].sentence.startswith("Late recovery")


def test_late_start_is_in_the_evidence():
    t = np.arange(5, 20, 0.02)
    x = np.where(t < 10.8, 4.2, 4.2 - 2.0 * (t - 10.8))
    flat = np.zeros_like(t)
    track = PlayerTrack(
        t, x, flat - 12.5, np.where(t < 10.8, 0.0, -2.0), flat, flat + 0.05, flat + 0.05, flat,
        flat * np.nan, flat * np.nan, np.ones(len(t), dtype=bool),
    )
    found, _ = look("recovery", play(wide(2.5), tracks={"near": track}))
    evidence = {e.name: e.value for e in found[0].evidence}
    assert evidence["start of the way back"] == pytest.approx(0.8, abs=0.05)


def test_beyond_the_place():
    found, _ = look("recovery", play(wide(-2.6)))
    assert "too far" in found[0].sentence


def test_in_place_in_time_is_a_credit():
    found, _ = look("recovery", play(wide(0.2)))
    assert [f.kind for f in found] == ["credit"] and "Back in time" in found[0].sentence
    speed = {e.name: e.value for e in found[0].evidence}["mean speed toward the place"]
    assert speed == pytest.approx(4.6 / 1.7, abs=0.3)


def test_nearly_in_place_is_silent():
    assert look("recovery", play(wide(1.0))) == ([], []) and clear("recovery", play(wide(1.0))) == 1


def test_after_a_return_the_middle_counts_too():
    row = shot(stroke="return", shot_number=2, contact_x_m=0.6, hitter_x_m=0.0)
    reply = reply_to(row, contact_x_m=3.0)
    place = bisector_x_m(reply, reply["opponent_y_m"])
    far = reply | {"opponent_x_m": place + 3.5}
    found, _ = look("recovery", play([row, far]))
    assert [f.kind for f in found] == ["fault"] and "a return" in found[0].sentence
    assert found[0].sentence.startswith("Moved the wrong way")
    assert look("recovery", play([row | {"stroke": "groundstroke"}, far])) == ([], [])


def test_ball_near_the_middle_is_silent():
    row = shot(contact_x_m=1.0, hitter_x_m=0.6)
    assert look("recovery", play([row, reply_to(row, opponent_x_m=4.0)]))[0] == []


def test_no_blame_where_the_time_was_too_short():
    rows = wide(3.0)
    rows[1]["t_contact_s"] = rows[0]["t_contact_s"] + 0.6
    assert look("recovery", play(rows))[0] == []


def test_player_at_the_net_is_left_to_another_rule():
    rows = wide(3.0)
    rows[1]["opponent_y_m"] = -3.0
    assert look("recovery", play(rows))[0] == []


def test_uncertain_place_is_not_flagged():
    assert look("recovery", play(wide(1.9)))[0]
    assert look("recovery", play(wide(1.9, opponent_x_m_sd=2.0)))[0] == []


def test_recovery_abstains_without_error():
    rows = wide(3.0)
    rows[1]["opponent_x_m"] = None
    assert look("recovery", play(rows)) == ([], ["not measured: opponent_x_m"])


def split(landing_s: float | None, level: str = "tour", rate_hz: float = 50.0):
    """Far player waits for the near player's contact at 10 s and lands ``landing_s`` after it."""
    row = shot(t_contact_s=10.0)
    landings = () if landing_s is None else (10.0 + landing_s,)
    tracks = {"far": standing(0.0, 12.8, landings, rate_hz=rate_hz)}
    return look("split_step", play([row, reply_to(row)], tracks=tracks), level)


def test_split_step_in_time_is_silent():
    found, _ = split(0.13)
    assert found == []


@pytest.mark.parametrize(("landing_s", "word"), [(-0.12, "early"), (0.40, "late")])
def test_split_step_at_the_wrong_time(landing_s, word):
    found, _ = split(landing_s)
    assert len(found) == 1 and found[0].side == "far" and found[0].player == "ORR"
    assert word in found[0].sentence
    lag = {e.name: e.value for e in found[0].evidence}["landing after the contact"]
    assert lag == pytest.approx(landing_s, abs=0.012)


def test_no_split_step():
    row = shot(t_contact_s=10.0)
    seen = play([row, reply_to(row)], tracks={"far": standing(0.0, 12.8, (8.0, 13.0))})
    found, _ = look("split_step", seen, "tour")
    assert len(found) == 1 and "No split step" in found[0].sentence


@pytest.mark.parametrize(("z_m_sd", "found"), [(0.0052, True), (0.013, False), (0.02, False)])
def test_no_split_step_is_said_only_where_a_hop_cannot_have_been_missed(z_m_sd, found):
    base = standing(0.0, 12.8)
    track = replace(base, z_m=0 * base.z_m, z_m_sd=np.full(len(base.t_s), z_m_sd))
    row = shot(t_contact_s=10.0)
    said, reasons = look("split_step", play([row, reply_to(row)], tracks={"far": track}), "tour")
    assert bool(said) == found and bool(reasons) != found


@pytest.mark.parametrize(("landing_s", "word"), [(-0.20, "early"), (0.45, "late"), (0.13, None)])
def test_a_split_step_that_is_only_likely_is_judged_with_less_confidence(landing_s, word):
    base = standing(0.0, 12.8)
    away = np.abs(base.t_s - 10.0 - landing_s + 0.1)
    doubt = np.where(away < 0.1, 0.3, 0.0005)
    track = replace(
        base, z_m=0 * base.z_m, z_m_sd=GROUND_SD_M + AIR_SD_M * np.sqrt(doubt))
    row = shot(t_contact_s=10.0)
    said, _ = look("split_step", play([row, reply_to(row)], tracks={"far": track}), "tour")
    assert bool(said) == bool(word)
    if word:
        assert word in said[0].sentence and said[0].confidence < split(landing_s)[0][0].confidence


def test_heights_that_are_nought_all_along_were_not_measured():
    found, reasons = split(None)
    assert found == [] and "not measured finely enough" in reasons[0]


def test_club_level_allows_more():
    assert split(0.30, "tour")[0] and not split(0.30, "club")[0]


def test_split_step_abstains_at_25_frames_a_second():
    found, reasons = split(0.40, rate_hz=25.0)
    assert found == [] and "frames a second" in reasons[0]


def test_split_step_abstains_without_track():
    row = shot()
    assert look("split_step", play([row, reply_to(row)]))[1] == [
        "opponent not tracked at the contact"]


def test_split_step_measured_from_the_picture():
    """Without measured heights: feet and head rise together by some pixels at 40 px a metre."""
    base = standing(0.0, 12.8, (10.45,))
    rng = np.random.default_rng(5)
    feet = 300 - 40 * base.z_m + rng.normal(0, 0.15, len(base.t_s))
    head = 228 - 40 * base.z_m + rng.normal(0, 0.15, len(base.t_s))
    nothing = base.z_m * np.nan
    track = PlayerTrack(
        base.t_s, base.x_m, base.y_m, base.vx_mps, base.vy_mps, base.x_m_sd, base.y_m_sd, nothing,
        feet, head, base.observed,
    )
    row = shot(t_contact_s=10.0)
    found, _ = look("split_step", play([row, reply_to(row)], tracks={"far": track}), "tour")
    assert len(found) == 1 and "late" in found[0].sentence
    coarse = PlayerTrack(
        base.t_s, base.x_m, base.y_m, base.vx_mps, base.vy_mps, base.x_m_sd, base.y_m_sd, nothing,
        feet + rng.normal(0, 4, len(feet)), head, base.observed,
    )
    found, reasons = look("split_step", play([row, reply_to(row)], tracks={"far": coarse}), "tour")
    assert found == [] and "not measured finely enough" in reasons[0]


def test_no_hop_in_the_picture_is_not_a_fault():
    base = standing(0.0, 12.8)
    track = PlayerTrack(
        base.t_s, base.x_m, base.y_m, base.vx_mps, base.vy_mps, base.x_m_sd, base.y_m_sd,
        base.z_m * np.nan, base.z_m + 300.0, base.z_m + 228.0, base.observed,
    )
    row = shot(t_contact_s=10.0)
    found, reasons = look("split_step", play([row, reply_to(row)], tracks={"far": track}), "tour")
    assert found == [] and "no hop seen" in reasons[0]


def test_runner_does_not_split():
    row = shot(t_contact_s=10.0)
    base = standing(0.0, 12.8, (10.5,))
    running = PlayerTrack(
        base.t_s, base.x_m, base.y_m, base.vx_mps + 4.0, base.vy_mps, base.x_m_sd, base.y_m_sd,
        base.z_m, base.feet_px, base.head_px, base.observed,
    )
    seen = play([row, reply_to(row)], [point()], {"far": running})
    assert look("split_step", seen, "tour") == ([], [])
