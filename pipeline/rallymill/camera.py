"""Pinhole camera: from court to picture and back.

A camera has square pixels, its principal point and one radial distortion coefficient. Image
coordinates are pixels, x right, y down, with the centre of the top-left pixel at (0, 0). Projective
geometry after Hartley & Zisserman, Multiple View Geometry, 2nd ed., chapters 6 and 8.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """A camera over the court.

    ``rotation`` (3, 3) takes court axes to camera axes (x right, y down, z forward); ``centre_m``
    (3,) is the camera's place in metres. ``k1`` multiplies the squared radius of normalised
    coordinates, as in OpenCV.
    """

    focal_px: float
    rotation: Array
    centre_m: Array
    width_px: int
    height_px: int
    principal_px: tuple[float, float]
    k1: float = 0.0

    @staticmethod
    def looking_at(
        centre_m: ArrayLike,
        target_m: ArrayLike,
        focal_px: float,
        width_px: int,
        height_px: int,
        roll_rad: float = 0.0,
        k1: float = 0.0,
    ) -> Camera:
        """Camera at ``centre_m`` that looks at ``target_m``; roll turns it clockwise."""
        centre = np.asarray(centre_m, dtype=float)
        forward = np.asarray(target_m, dtype=float) - centre
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        c, s = np.cos(roll_rad), np.sin(roll_rad)
        rotation = np.stack([c * right + s * down, -s * right + c * down, forward])
        principal = ((width_px - 1) / 2, (height_px - 1) / 2)
        return Camera(focal_px, rotation, centre, width_px, height_px, principal, k1)

    @property
    def intrinsic(self) -> Array:
        """Calibration matrix K, shape (3, 3)."""
        cx, cy = self.principal_px
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    @property
    def matrix(self) -> Array:
        """Projection matrix P = K [R | -R c], shape (3, 4); leaves distortion aside."""
        translation = -self.rotation @ self.centre_m
        return self.intrinsic @ np.column_stack([self.rotation, translation])

    @cached_property
    def homography(self) -> Array:
        """From ground (x, y, 1) to picture, shape (3, 3); leaves distortion aside."""
        return self.matrix[:, [0, 1, 3]]

    def project(self, points_m: ArrayLike) -> Array:
        """Image points, shape (..., 2), of court points, shape (..., 3).

        Points behind the camera come back as NaN, and so do points beyond the radius from which
        barrel distortion would fold them back into the picture.
        """
        points = np.asarray(points_m, dtype=float)
        local = (points - self.centre_m) @ self.rotation.T
        depth = local[..., 2:3]
        with np.errstate(divide="ignore", invalid="ignore"):
            normalised = np.where(depth > 1e-6, local[..., :2] / depth, np.nan)
        if self.k1:
            radius2 = np.sum(normalised**2, -1, keepdims=True)
            normalised = normalised * (1 + self.k1 * radius2)
            normalised = np.where(radius2 <= self.fold_radius**2, normalised, np.nan)
        return normalised * self.focal_px + np.asarray(self.principal_px)

    @property
    def fold_radius(self) -> float:
        """Normalised radius at which the image radius r + k1 r^3 is greatest; inf if it grows."""
        return float(np.sqrt(-1 / (3 * self.k1))) if self.k1 < 0 else np.inf

    def depth_m(self, points_m: ArrayLike) -> Array:
        """Distance along the viewing axis, shape (...), of court points, shape (..., 3)."""
        points = np.asarray(points_m, dtype=float)
        return (points - self.centre_m) @ self.rotation[2]

    def rays(self, image_px: ArrayLike) -> Array:
        """Unit directions in the court frame, shape (..., 3), of image points, shape (..., 2)."""
        normalised = self.undistort(image_px)
        ones = np.ones((*normalised.shape[:-1], 1))
        directions = np.concatenate([normalised, ones], axis=-1) @ self.rotation
        return directions / np.linalg.norm(directions, axis=-1, keepdims=True)

    def undistort(self, image_px: ArrayLike) -> Array:
        """Normalised coordinates without distortion, shape (..., 2).

        NaN for image points that no ray reaches through such a lens. The radius is found by
        Newton's method on r + k1 r^3.
        """
        image = np.asarray(image_px, dtype=float)
        distorted = (image - np.asarray(self.principal_px)) / self.focal_px
        if not self.k1:
            return distorted
        wanted = np.sqrt(np.sum(distorted**2, -1, keepdims=True))
        fold = self.fold_radius
        radius = np.minimum(wanted, fold)
        for _ in range(12):
            slope = np.maximum(1 + 3 * self.k1 * radius**2, 1e-6)
            radius = radius - (radius + self.k1 * radius**3 - wanted) / slope
            radius = np.clip(radius, 0.0, fold)
        seen = np.abs(radius + self.k1 * radius**3 - wanted) < 1e-6 * (1 + wanted)
        with np.errstate(invalid="ignore", divide="ignore"):
            scale = np.where(wanted > 0, radius / wanted, 1.0)
        return np.where(seen, distorted * scale, np.nan)

    def ground(self, image_px: ArrayLike, height_m: ArrayLike = 0.0) -> Array:
        """Points (..., 3) at a known height that are seen at image points (..., 2).

        NaN where the ray does not come down to that height in front of the camera.
        """
        directions = self.rays(image_px)
        height = np.asarray(height_m, dtype=float)
        drop = height - self.centre_m[2]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = drop / directions[..., 2]
        scale = np.where(scale > 0, scale, np.nan)
        return self.centre_m + directions * scale[..., None]

    def height_above(self, foot_m: ArrayLike, image_px: ArrayLike) -> Array:
        """Height (...) at which the vertical over a ground point comes closest to an image point.

        ``foot_m`` has shape (..., 3) or (..., 2), ``image_px`` (..., 2).
        """
        foot = np.asarray(foot_m, dtype=float)[..., :2]
        directions = self.rays(image_px)
        away = foot - self.centre_m[:2]
        along = np.sum(directions[..., :2] * away, -1) / np.sum(directions[..., :2] ** 2, -1)
        return self.centre_m[2] + along * directions[..., 2]

    def pixels_per_metre(self, points_m: ArrayLike) -> Array:
        """Scale (...) across the line of sight at court points (..., 3), in pixels a metre."""
        return self.focal_px / self.depth_m(points_m)

    def resized(self, width_px: int, height_px: int) -> Camera:
        """Camera with the same field of view for a picture of another size."""
        if (width_px, height_px) == (self.width_px, self.height_px):
            return self
        ratio = width_px / self.width_px
        cx, cy = self.principal_px
        return replace(
            self, focal_px=self.focal_px * ratio, width_px=width_px, height_px=height_px,
            principal_px=((cx + 0.5) * ratio - 0.5, (cy + 0.5) * height_px / self.height_px - 0.5),
        )

    def parameters(self) -> Array:
        """Focal length, rotation vector, centre: shape (7,)."""
        vector = cv2.Rodrigues(self.rotation)[0].ravel()
        return np.concatenate([[self.focal_px], vector, self.centre_m])

    def with_parameters(self, parameters: ArrayLike) -> Camera:
        """Camera with the seven parameters of :meth:`parameters` replaced."""
        values = np.asarray(parameters, dtype=float)
        rotation = np.asarray(cv2.Rodrigues(values[1:4].copy())[0], dtype=float)
        return replace(
            self, focal_px=float(values[0]), rotation=rotation, centre_m=values[4:7].copy()
        )


def from_matrix(
    matrix: ArrayLike, width_px: int, height_px: int, k1: float = 0.0
) -> Camera:
    """Camera of a projection matrix (3, 4) or its 12 numbers, by RQ decomposition.

    Raises
    ------
    ValueError
        The matrix is not that of a camera with square pixels.
    """
    projection = np.asarray(matrix, dtype=float).reshape(3, 4)
    left = projection[:, :3]
    if np.linalg.det(left) < 0:
        projection = -projection
        left = projection[:, :3]
    intrinsic, rotation = cv2.RQDecomp3x3(left)[1:3]
    signs = np.diag(np.sign(np.diag(intrinsic)))
    intrinsic, rotation = intrinsic @ signs, signs @ rotation
    intrinsic = intrinsic / intrinsic[2, 2]
    if not np.isfinite(intrinsic).all() or intrinsic[0, 0] <= 0:
        raise ValueError("not the matrix of a camera")
    if abs(intrinsic[0, 0] / intrinsic[1, 1] - 1) > 0.05:
        raise ValueError("pixels are not square")
    centre = -np.linalg.solve(left, projection[:, 3])
    return Camera(
        float((intrinsic[0, 0] + intrinsic[1, 1]) / 2), rotation, centre, width_px, height_px,
        (float(intrinsic[0, 2]), float(intrinsic[1, 2])), k1,
    )


def from_homography(homography: ArrayLike, width_px: int, height_px: int) -> Camera | None:
    """Camera with its principal point in the middle that has a given ground homography.

    The focal length follows from the orthogonality of the first two columns of R (Hartley &
    Zisserman, section 8.5). None where no such camera exists (the plane is seen frontally, or the
    matrix is not that of a view from above).
    """
    h = np.asarray(homography, dtype=float)
    principal = ((width_px - 1) / 2, (height_px - 1) / 2)
    shift = np.array([[1, 0, -principal[0]], [0, 1, -principal[1]], [0, 0, 1.0]])
    m = shift @ h
    a, b = m[:, 0], m[:, 1]
    # Two constraints on 1 / f^2: a.b = 0 and |a| = |b| after dividing rows 1, 2 by f.
    rows = np.array([a[0] * b[0] + a[1] * b[1], a[0] ** 2 + a[1] ** 2 - b[0] ** 2 - b[1] ** 2])
    right = -np.array([a[2] * b[2], a[2] ** 2 - b[2] ** 2])
    norm = rows @ rows
    if norm < 1e-18:
        return None
    inverse_f2 = float(rows @ right / norm)
    if not np.isfinite(inverse_f2) or inverse_f2 <= 0:
        return None
    focal = 1 / np.sqrt(inverse_f2)
    if not 0.2 * width_px < focal < 40 * width_px:
        return None
    scaled = np.diag([1 / focal, 1 / focal, 1.0]) @ m
    scale = 2 / (np.linalg.norm(scaled[:, 0]) + np.linalg.norm(scaled[:, 1]))
    for sign in (1.0, -1.0):
        r = scaled * scale * sign
        rotation = np.column_stack([r[:, 0], r[:, 1], np.cross(r[:, 0], r[:, 1])])
        u, _, vt = np.linalg.svd(rotation)
        rotation = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
        centre = -rotation.T @ r[:, 2]
        if centre[2] > 0 and rotation[2] @ (-centre) > 0:
            return Camera(focal, rotation, centre, width_px, height_px, principal)
    return None


def homography_from_points(ground_m: ArrayLike, image_px: ArrayLike) -> Array:
    """Ground homography (3, 3) from four or more points (N, 2) each, by normalised DLT.

    Raises
    ------
    ValueError
        Fewer than four points, or points in degenerate position.
    """
    ground = np.asarray(ground_m, dtype=float)[:, :2]
    image = np.asarray(image_px, dtype=float)
    if len(ground) < 4:
        raise ValueError(f"{len(ground)} points, need 4")
    transforms = []
    normal = []
    for points in (ground, image):
        mean = points.mean(0)
        scale = np.sqrt(2) / max(np.sqrt(((points - mean) ** 2).sum(1)).mean(), 1e-12)
        t = np.array([[scale, 0, -scale * mean[0]], [0, scale, -scale * mean[1]], [0, 0, 1.0]])
        transforms.append(t)
        normal.append(points * scale - scale * mean)
    (x, y), (u, v) = normal[0].T, normal[1].T
    zero, one = np.zeros_like(x), np.ones_like(x)
    rows = np.concatenate([
        np.stack([-x, -y, -one, zero, zero, zero, u * x, u * y, u], 1),
        np.stack([zero, zero, zero, -x, -y, -one, v * x, v * y, v], 1),
    ])
    _, singular, vt = np.linalg.svd(rows)
    if singular[7] < 1e-9 * singular[0]:
        raise ValueError("points in degenerate position")
    h = np.linalg.inv(transforms[1]) @ vt[-1].reshape(3, 3) @ transforms[0]
    return h / h[2, 2]


def refine(
    camera: Camera, points_m: ArrayLike, image_px: ArrayLike, weights: ArrayLike | None = None
) -> Camera:
    """Camera whose seven parameters minimise the robust reprojection error of points (N, 3)."""
    points = np.asarray(points_m, dtype=float)
    image = np.asarray(image_px, dtype=float)
    weight = np.ones(len(points)) if weights is None else np.asarray(weights, dtype=float)
    start = camera.parameters()
    scale = np.array([start[0], 1, 1, 1, 10, 10, 10])

    def residuals(step: Array) -> Array:
        error = camera.with_parameters(start + step * scale).project(points) - image
        return np.nan_to_num(error * weight[:, None], nan=1e3).ravel()

    found = least_squares(residuals, np.zeros(7), loss="soft_l1", f_scale=2.0, max_nfev=100)
    return camera.with_parameters(start + found.x * scale)
