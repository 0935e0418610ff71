"""Errors that stay from frame to frame: how large they are said to be, and what they do."""

import numpy as np
import pytest

from rallymill import camera_spread, court
from rallymill.camera import Camera
from rallymill.courtfit import bias, bundle, model, solve
from tests.courtfit.test_solve import camera, places

CORNERS = np.array([p for p in court.named_points().values() if p[2] == 0])
LINE = model.pieces(True).line


def with_errors(truth: Camera, rng: np.random.Generator, by_line: float, by_piece: float):
    """Places of frames in which each line and each piece err alike all the time."""
    lines = rng.normal(0, by_line, LINE.max() + 1)[LINE] + rng.normal(0, by_piece, len(LINE))
    frames = []
    for _ in range(6):
        seen = places(truth, rng, 0.05)
        off = seen.lasting_px * lines[seen.piece]
        frames.append(solve.Places(
            seen.points_m, seen.image_px + seen.normal * off[:, None], seen.normal, seen.sd_px,
            seen.lasting_px, seen.net, seen.by_width, seen.piece,
        ))
    return frames


def fitted(truth: Camera, frames, paint: model.Paint = model.USUAL[True]):
    start = bundle.Place(
        truth.centre_m, truth.k1, 0.0, np.eye(7), paint, np.zeros((7, len(LINE))), np.eye(7)
    )
    result = bundle.joint([truth] * len(frames), frames, start)
    assert result is not None
    place, _ = result
    wider = [place.paint.line_width_m - 0.05, place.paint.baseline_width_m - 0.10]
    first = frames[0].widened(np.array(wider))
    fit = solve.fit(place.applied(truth), first, place.prior(), place.net_m)
    assert fit is not None
    return place, fit.camera, place.camera_covariance(fit.camera, first)


def test_places_off_where_the_model_knows_no_piece():
    pieces = model.pieces(False)
    assert len(pieces) < len(model.pieces(True))
    for doubles in (True, False):
        points = model.line_points(model.Paint(doubles), 0.5)
        by_piece = model.pieces(doubles)
        assert (by_piece.line[points.piece] == points.line).all()
        assert set(points.piece) == set(range(by_piece.first[-1]))


def test_camera_errs_as_much_as_is_stated():
    truth, rng = camera(0.0), np.random.default_rng(4)
    errors = []
    for _ in range(30):
        _, found, covariance = fitted(truth, with_errors(truth, rng, 1.0, 1.0))
        off = (found.ground(truth.project(CORNERS)) - CORNERS)[:, :2]
        stated = camera_spread.ground_covariance(found, covariance, CORNERS)
        root = np.linalg.cholesky(stated)
        errors.append(np.linalg.solve(root, off[:, :, None]))
    assert 0.7 < np.mean(np.square(errors)) < 1.5


def test_larger_errors_are_said_to_be_larger():
    truth, rng = camera(0.0), np.random.default_rng(2)
    small, _, _ = fitted(truth, with_errors(truth, rng, 0.3, 0.3))
    large, _, _ = fitted(truth, with_errors(truth, rng, 0.3, 3.0))
    assert large.deviations[1] > 3 * small.deviations[1]
    assert large.deviations[1] == pytest.approx(3.0, rel=0.35)


def test_width_of_the_paint_is_found():
    truth, rng = camera(0.0), np.random.default_rng(7)
    frames = [one.widened(np.array([-0.006, 0.02])) for one in with_errors(truth, rng, 0.1, 0.1)]
    unknown = model.Paint(line_sd_m=0.02, baseline_sd_m=0.05)
    place, _, _ = fitted(truth, frames, unknown)
    assert place.paint.line_width_m == pytest.approx(0.056, abs=0.003)
    assert place.paint.baseline_width_m == pytest.approx(0.08, abs=0.004)


def test_too_few_pieces_give_what_is_usual():
    found = bias.deviations(np.zeros(3), np.eye(3), np.zeros(3, bool), np.arange(3))
    assert found == bias.USUAL


def test_many_frames_do_not_outweigh_what_stays():
    truth, rng = camera(0.0), np.random.default_rng(1)
    frames = with_errors(truth, rng, 1.0, 1.0)
    linear = [solve.linearised(truth, 0.0, one) for one in frames]
    once = bias.tempered(linear[:1], frames[:1], len(LINE))[0].weight.sum()
    often = sum(one.weight.sum() for one in bias.tempered(linear, frames, len(LINE)))
    assert often < 1.3 * once
