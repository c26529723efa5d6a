"""The camera as plain geometry: aim, projection, and the framing rule. Centimetres and degrees."""

import math
from dataclasses import dataclass

import numpy as np

SENSOR_WIDTH_MM, SENSOR_HEIGHT_MM = 24.0, 30.0   # 36 x 24 mm held upright, cropped to 4:5
OVERSCAN = 1.25                                   # rendered canvas / frame, for shifts afterwards
FILL_WIDTH, FILL_HEIGHT = 0.74, 0.68              # framing rule: the tighter of the two is met


@dataclass(frozen=True)
class Camera:
    """Where the camera stands; ``aim`` is the point in the frame's centre, cm."""

    aim: tuple
    distance_cm: float
    elevation_deg: float
    roll_deg: float
    focal_length_mm: float

    @property
    def position(self):
        e = math.radians(self.elevation_deg)
        return np.asarray(self.aim) + self.distance_cm * np.array([0, -math.cos(e), math.sin(e)])

    @property
    def axes(self):
        """Right, up, forward as unit rows. A picture turned clockwise needs a camera turned back."""
        e, r = math.radians(self.elevation_deg), math.radians(self.roll_deg)
        forward = np.array([0, math.cos(e), -math.sin(e)])
        right, up = np.array([1.0, 0, 0]), np.array([0, math.sin(e), math.cos(e)])
        return np.array([right * math.cos(r) + up * math.sin(r), up * math.cos(r) - right * math.sin(r), forward])


def project(camera, points):
    """World points (N, 3) to fractions of the frame from left and top (N, 2)."""
    local = (points - camera.position) @ camera.axes.T
    scale = camera.focal_length_mm / local[:, 2:]
    return np.column_stack([0.5 + local[:, 0] * scale[:, 0] / SENSOR_WIDTH_MM,
                            0.5 - local[:, 1] * scale[:, 0] / SENSOR_HEIGHT_MM])


def bounding_box(camera, points):
    """left, top, right, bottom of projected points, fractions of the frame."""
    flat = project(camera, points)
    return (*flat.min(axis=0), *flat.max(axis=0))


def frame_product(points, elevation_deg, roll_deg, focal_length_mm, size=1.0, shift=(0.0, 0.0)):
    """
    The camera that meets the framing rule: box centred, the tighter side filled.

    ``size`` multiplies the fill; ``shift`` moves the box's centre, fractions of the frame,
    + right, + down.
    """
    aim = (points.min(axis=0) + points.max(axis=0)) / 2
    camera = Camera(tuple(aim), 240.0, elevation_deg, roll_deg, focal_length_mm)
    for _ in range(14):
        left, top, right, bottom = bounding_box(camera, points)
        fill = max((right - left) / FILL_WIDTH, (bottom - top) / FILL_HEIGHT)
        distance = camera.distance_cm * fill / size
        dx = (left + right) / 2 - 0.5 - shift[0]
        dy = (top + bottom) / 2 - 0.5 - shift[1]
        right_axis, up_axis, _ = camera.axes
        cm = camera.distance_cm / focal_length_mm
        aim = aim + right_axis * dx * SENSOR_WIDTH_MM * cm - up_axis * dy * SENSOR_HEIGHT_MM * cm
        camera = Camera(tuple(aim), distance, elevation_deg, roll_deg, focal_length_mm)
    return camera


def frame_detail(centre, width_cm, elevation_deg, roll_deg, focal_length_mm):
    """The camera whose frame is ``width_cm`` wide at ``centre``."""
    distance = width_cm * focal_length_mm / SENSOR_WIDTH_MM
    return Camera(tuple(centre), distance, elevation_deg, roll_deg, focal_length_mm)


def pixels_per_cm(camera, width_px):
    """Scale at the plane through ``aim``."""
    return width_px * camera.focal_length_mm / SENSOR_WIDTH_MM / camera.distance_cm


def pose_matrix(pose, lowest=0.0, back=False):
    """Yaw about +z (counter-clockwise from above), then lean about +x (top towards the camera)."""
    a = math.radians(pose.yaw_deg + (180 if back else 0))
    b = math.radians(pose.lean_deg)
    yaw = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
    matrix = np.eye(4)
    matrix[:3, :3] = lean @ yaw
    matrix[2, 3] = -lowest
    return matrix


def posed(points, pose, back):
    """Points (N, 3) in product space to world, standing on the floor; and the matrix."""
    turned = points @ pose_matrix(pose, 0, back)[:3, :3].T
    matrix = pose_matrix(pose, turned[:, 2].min(), back)
    return points @ matrix[:3, :3].T + matrix[:3, 3], matrix
