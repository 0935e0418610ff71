import numpy as np
import pytest

from rallymill import camera_spread, court
from rallymill.camera import Camera
from rallymill.courtfit import bundle, model, solve


def camera(k1: float = -0.04) -> Camera:
    return Camera.looking_at([1.0, -30.0, 10.0], [0.2, 0.5, 0.0], 1900, 1280, 720, 0.01, k1)


def places(
    truth: Camera, rng: np.random.Generator, sd_px: float, wild: float = 0.0
) -> solve.Places:
    """Places that the lines of a true camera would give, with noise and some wrong ones."""
    points = model.line_points(model.Paint(), 0.5)
    ground = np.hstack([points.points_m, np.zeros((len(points.line), 1))])
    ahead = np.hstack([points.direction, np.zeros((len(points.line), 1))]) * 0.05
    along = truth.project(ground + ahead) - truth.project(ground - ahead)
    normal = np.stack([-along[:, 1], along[:, 0]], 1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    off = rng.normal(0, sd_px, len(ground))
    wrong = rng.random(len(ground)) < wild
    off[wrong] = rng.uniform(-8, 8, wrong.sum())
    image = truth.project(ground) + normal * off[:, None]
    return solve.Places(
        ground, image, normal, np.full(len(ground), sd_px), np.full(len(ground), 0.12),
        np.zeros(len(ground), bool), points.by_width, points.piece,
    )


def test_equations_agree_with_the_rates():
    base = camera()
    seen = places(base, np.random.default_rng(1), 0.3)
    image, rates = camera_spread.rates(base, seen.points_m)
    residual = np.sum((seen.image_px - image) * seen.normal, 1)
    _, gradient, found, spread = solve.equations(base, 0.0, seen)
    assert found == pytest.approx(residual, abs=1e-9)
    jacobian = np.zeros((len(seen), solve.N_UNKNOWNS))
    jacobian[:, :8] = np.einsum("nd,ndk->nk", seen.normal, rates)
    sd = np.hypot(seen.sd_px, 0.12)
    weight = 1 / (1 + (residual / sd / (2.4 * spread)) ** 2) / (sd * spread) ** 2
    assert gradient == pytest.approx(jacobian.T @ (weight * residual), rel=1e-6)


def test_a_net_that_hangs_higher_is_seen_higher():
    base = camera()
    point = np.array([[0.5, 0.0, 0.914]])
    up = base.project(point + [0, 0, 0.01]) - base.project(point)
    normal = up / np.linalg.norm(up)
    seen = solve.Places(
        point, base.project(point), normal, np.ones(1), np.zeros(1), np.ones(1, bool),
        np.zeros((1, 2, 2)), np.zeros(1, np.int64),
    )
    at = solve.linearised(base, 0.0, seen)
    assert at.jacobian[0, solve.NET] == pytest.approx(np.linalg.norm(up) / 0.01, rel=1e-2)
    assert solve.linearised(base, 0.01, seen).residual[0] == pytest.approx(
        -float(np.linalg.norm(up)), rel=1e-3
    )


def test_wider_paint_has_its_middle_further_inside():
    thin, wide = model.Paint(), model.Paint(line_width_m=0.06, baseline_width_m=0.05)
    base = camera()
    rng = np.random.default_rng(0)
    places_thin = places(base, rng, 0.1)
    moved = places_thin.widened(np.array([0.01, -0.05])).points_m[:, :2]
    names = model.line_points(thin, 0.5).names
    for name, x, y in (
        ("left_doubles", -5.485 + 0.03, None), ("far_baseline", None, 11.885 - 0.025),
        ("near_service", None, -6.4 + 0.03), ("centre_service", 0.0, None),
    ):
        mine = moved[model.line_points(thin, 0.5).line == names.index(name)]
        other = model.line_points(wide, 0.5)
        assert mine[:, 0 if y is None else 1] == pytest.approx(x if y is None else y)
        assert mine == pytest.approx(other.points_m[other.line == names.index(name)], abs=0.06)


def test_fit_finds_the_camera_in_spite_of_a_fifth_of_wrong_places():
    rng = np.random.default_rng(3)
    truth = camera()
    seen = places(truth, rng, 0.2, wild=0.2)
    step = np.array([0.03, 0.01, -0.01, 0.01, 0.6, -1.0, 0.4, 0.0, 0.0])
    start = camera_spread.moved(truth, step)
    found = solve.fit(start, seen, solve.prior(solve.usual_sds(start)), rounds=20)
    assert found is not None
    corners = np.array([p for p in court.named_points().values() if p[2] == 0])
    gap = np.linalg.norm(found.camera.project(corners) - truth.project(corners), axis=1)
    assert gap.max() < 0.5
    assert found.inliers.mean() == pytest.approx(0.8, abs=0.06)


def test_stated_deviations_are_those_of_repeated_fits():
    rng = np.random.default_rng(5)
    truth = camera(0.0)
    known = solve.prior(solve.usual_sds(truth, fixed_centre=True, fixed_k1=True))
    fits = [solve.fit(truth, places(truth, rng, 0.5), known) for _ in range(60)]
    logs = np.array([np.log(one.camera.focal_px / truth.focal_px) for one in fits if one])
    one = fits[0]
    assert one is not None
    # The noise here is independent, so the allowance for neighbours is taken out again.
    stated = np.sqrt(solve.covariance(one.information)[0, 0] / solve.CORRELATION)
    assert logs.std() == pytest.approx(stated, rel=0.35)


def test_too_little_is_a_value_not_an_error():
    truth = camera()
    seen = places(truth, np.random.default_rng(0), 0.2)
    nothing_known = solve.prior(np.full(9, np.inf))
    assert solve.fit(truth, seen.take(np.arange(0)), nothing_known) is None
    place = bundle.Place(
        truth.centre_m, 0.0, 0.0, np.eye(7), model.Paint(), np.zeros((7, 1)), np.eye(7)
    )
    assert bundle.joint([], [], place) is None


def test_joint_place_is_better_than_that_of_one_frame():
    rng = np.random.default_rng(8)
    truth = camera(0.0)
    turns = [np.array([0.05 * np.sin(i), 0.02 * i, 0.03 * np.cos(i), 0, 0, 0, 0, 0, 0.0])
             for i in range(8)]
    cameras = [camera_spread.moved(truth, turn) for turn in turns]
    seen = [places(one, rng, 0.6) for one in cameras]
    free = solve.prior(solve.usual_sds(truth))
    alone = [solve.fit(one, two, free) for one, two in zip(cameras, seen, strict=True)]
    single = np.mean([np.linalg.norm(f.camera.centre_m - truth.centre_m) for f in alone if f])
    first = alone[0]
    assert first is not None
    result = bundle.joint(
        [f.camera for f in alone if f], seen, bundle.place_of(first, model.Paint())
    )
    assert result is not None
    assert np.linalg.norm(result[0].centre_m - truth.centre_m) < 0.6 * single
