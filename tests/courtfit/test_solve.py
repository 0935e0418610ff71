import numpy as np
import pytest

from rallymill import court
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
        ground, image, normal, np.full(len(ground), sd_px), np.zeros(len(ground), bool)
    )


def test_rates_agree_with_differences():
    base = camera()
    points = np.array([[1.0, -8.0, 0.0], [-4.0, 11.0, 0.0], [0.5, 0.0, 0.914]])
    _, rates = solve.project_with_rates(base, points)
    for unknown in range(8):
        step = np.zeros(9)
        step[unknown] = 1e-5
        ahead = solve.moved(base, step).project(points)
        behind = solve.moved(base, -step).project(points)
        assert rates[:, :, unknown] == pytest.approx((ahead - behind) / 2e-5, rel=1e-4, abs=1e-2)
    risen = (base.project(points + [0, 0, 1e-4]) - base.project(points - [0, 0, 1e-4])) / 2e-4
    assert rates[:, :, solve.NET] == pytest.approx(risen, rel=1e-4, abs=1e-2)


def test_equations_agree_with_the_rates():
    base = camera()
    seen = places(base, np.random.default_rng(1), 0.3)
    image, rates = solve.project_with_rates(base, seen.points_m)
    residual = np.sum((seen.image_px - image) * seen.normal, 1)
    _, gradient, found, spread = solve.equations(base, 0.0, seen)
    assert found == pytest.approx(residual, abs=1e-9)
    jacobian = np.einsum("nd,ndk->nk", seen.normal, rates)
    jacobian[:, solve.NET] = 0.0
    sd = np.hypot(seen.sd_px, solve.FLOOR_PX)
    weight = 1 / (1 + (residual / sd / (2.4 * spread)) ** 2) / (sd * spread) ** 2
    assert gradient == pytest.approx(jacobian.T @ (weight * residual), rel=1e-6)


def test_fit_finds_the_camera_in_spite_of_a_fifth_of_wrong_places():
    rng = np.random.default_rng(3)
    truth = camera()
    seen = places(truth, rng, 0.2, wild=0.2)
    step = np.array([0.03, 0.01, -0.01, 0.01, 0.6, -1.0, 0.4, 0.0, 0.0])
    start = solve.moved(truth, step)
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
    place = bundle.Place(truth.centre_m, 0.0, 0.0, np.eye(5), model.Paint())
    assert bundle.joint([], [], place) is None


def test_joint_place_is_better_than_that_of_one_frame():
    rng = np.random.default_rng(8)
    truth = camera(0.0)
    turns = [np.array([0.05 * np.sin(i), 0.02 * i, 0.03 * np.cos(i), 0, 0, 0, 0, 0, 0.0])
             for i in range(8)]
    cameras = [solve.moved(truth, turn) for turn in turns]
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
