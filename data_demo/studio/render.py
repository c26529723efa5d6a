"""A picture's base: linear light, product coverage, and the geometry that made it, in the cache."""

import json
import math
import os
import tempfile
import time
from pathlib import Path

import bpy
import numpy as np

from . import camera as cameras
from . import materials, scene as studio

os.environ["OPENCV_IO_ENABLE_OPENEXR"] = "1"
import cv2  # noqa: E402  (reads the variable above when imported)

BACKDROP_SCALE = 10          # the sweep away from the product is rendered this much smaller
MARGIN = (0.035, 0.03, 0.045, 0.045)   # around the product, fractions of the frame: l, t, r, b


def _shoot(scene, samples, region=None, percentage=100):
    """Render to linear float (H, W, 4); region is left, top, right, bottom in canvas fractions."""
    scene.cycles.samples = samples
    scene.render.resolution_percentage = percentage
    scene.render.use_border = scene.render.use_crop_to_border = region is not None
    if region is not None:
        left, top, right, bottom = region
        scene.render.border_min_x, scene.render.border_max_x = left, right
        scene.render.border_min_y, scene.render.border_max_y = 1 - bottom, 1 - top
    with tempfile.TemporaryDirectory() as folder:
        scene.render.filepath = str(Path(folder) / "shot.exr")
        bpy.ops.render.render(write_still=True)
        image = cv2.imread(scene.render.filepath, cv2.IMREAD_UNCHANGED)
    return image[:, :, [2, 1, 0, 3]].astype(np.float32)


def coverage(lens, parts, matrix, frame_px, canvas_px, region_px, fine=4):
    """How much of each pixel of the region the product covers, 0 to 1; its shadow does not count."""
    left, top, right, bottom = region_px
    mask = np.zeros(((bottom - top) * fine, (right - left) * fine), np.uint8)
    offset = np.array([(canvas_px[0] - frame_px[0]) / 2 - left, (canvas_px[1] - frame_px[1]) / 2 - top])
    for p in parts:
        if p.material == "thread":      # lies within the outline of what it holds
            continue
        flat = cameras.project(lens, p.vertices @ matrix[:3, :3].T + matrix[:3, 3]) * frame_px + offset
        flat = np.round((flat * fine - 0.5) * 16).astype(np.int32)
        for size in (3, 4):
            faces = np.array([f for f in p.faces if len(f) == size], int).reshape(-1, size)
            for polygon in flat[faces]:
                cv2.fillConvexPoly(mask, polygon, 1, shift=4)
    return mask.reshape(bottom - top, fine, right - left, fine).mean(axis=(1, 3), dtype=np.float32)


def handle_gap(parts, back):
    """How far the handle away from the camera stands above the near one: cm, share of height."""
    top = {}
    for p in parts:
        top[p.group] = max(top.get(p.group, -1e9), p.vertices[:, 2].max())
    if "handle_rear" not in top or "handle_front" not in top:
        return math.nan, math.nan
    gap = (top["handle_rear"] - top["handle_front"]) * (-1 if back else 1)
    height = max(z for group, z in top.items() if group != "strap")
    return gap, gap / height


def set_up(shot):
    """Product and camera of a shot: parts, world matrix, camera, world points."""
    parts = studio.build_product(shot.bag, shot.pose)
    back = shot.view == "back"
    every = np.vstack([p.vertices for p in parts])
    world, matrix = cameras.posed(every, shot.pose, back)
    if shot.view == "detail":
        body = np.vstack([p.vertices for p in parts if p.group in ("body", "hardware")])
        x = shot.detail_at[0] * shot.bag.width_cm
        z = shot.detail_at[1] * shot.bag.height_cm
        near = body[(np.abs(body[:, 0] - x) < 2) & (np.abs(body[:, 2] - z) < 2)]
        y = near[:, 1].min() if len(near) else -shot.bag.depth_cm / 2
        centre = np.array([x, y, z]) @ matrix[:3, :3].T + matrix[:3, 3]
        lens = cameras.frame_detail(centre, shot.detail_width_cm, shot.elevation_deg, shot.roll_deg, shot.focal_length_mm)
    else:
        lens = cameras.frame_product(world, shot.elevation_deg, shot.roll_deg, shot.focal_length_mm, shot.size, shot.shift)
    return parts, matrix, lens, world


def render_base(shot, folder, samples=16, threads=1):
    """Render one shot into ``folder/<key>.npz`` (+ ``.json``), unless it is there."""
    target = Path(folder) / f"{shot.key}.npz"
    if target.exists():
        return target
    started = time.process_time()
    clock = []
    tick = lambda: clock.append(round(time.process_time() - started, 1))
    parts, matrix, lens, world = set_up(shot)
    scene = studio.empty()
    scene.render.threads_mode, scene.render.threads = "FIXED", threads
    studio.build_studio()
    studio.add_product(shot.bag, parts, matrix)
    over = cameras.OVERSCAN
    studio.set_camera(scene, lens, shot.width_px, shot.height_px, over, cameras.SENSOR_WIDTH_MM)
    width, height = scene.render.resolution_x, scene.render.resolution_y
    box = np.clip(cameras.bounding_box(lens, world), -0.06, 1.06) + np.array(MARGIN) * (-1, -1, 1, 1)
    box = np.clip(0.5 + (box - 0.5) / over, 0, 1)
    pixels = [math.floor(box[0] * width), math.floor(box[1] * height), math.ceil(box[2] * width), math.ceil(box[3] * height)]
    region = tuple((p + s) / n for p, n, s in zip(pixels, (width, height) * 2, (0.05, -0.05, 0.05, -0.05)))  # Blender truncates
    scene.cycles.seed = shot.seed
    tick()
    backdrop = _shoot(scene, 12, None, round(100 / BACKDROP_SCALE))[:, :, :3]
    tick()
    image = _shoot(scene, samples, region)[:, :, :3]
    tick()
    alpha = coverage(lens, parts, matrix, (shot.width_px, shot.height_px), (width, height), pixels)
    assert image.shape[:2] == alpha.shape == (pixels[3] - pixels[1], pixels[2] - pixels[0]), (image.shape, pixels)
    tick()
    gap_cm, gap = handle_gap(parts, shot.view == "back")
    box = cameras.bounding_box(lens, world)
    seen = shot.pose.strap_state
    if shot.view == "back":     # told as the camera sees it
        seen = {"front": "behind", "behind": "front"}.get(seen, seen)
    facts = {"key": shot.key, "sku": shot.bag.sku, "view": shot.view, "style": shot.bag.style, "region_px": pixels, "canvas_px": [width, height], "frame_px": [shot.width_px, shot.height_px],
             "projected_box": [float(b) for b in box], "distance_cm": lens.distance_cm, "camera_cm": [float(v) for v in lens.position],
             "elevation_deg": shot.elevation_deg, "roll_deg": shot.roll_deg, "yaw_deg": shot.pose.yaw_deg, "lean_deg": shot.pose.lean_deg,
             "handle_gap_cm": gap_cm, "handle_gap": gap, "strap_state": seen, "focal_length_mm": shot.focal_length_mm,
             "px_per_cm": cameras.pixels_per_cm(lens, shot.width_px), "cpu_seconds": clock}
    Path(folder).mkdir(parents=True, exist_ok=True)
    half = lambda a: np.clip(a, 0, 60000).astype(np.float16)
    partial = target.with_suffix(".part.npz")
    np.savez_compressed(partial, image=half(image), alpha=np.round(alpha * 255).astype(np.uint8), backdrop=half(backdrop))
    target.with_suffix(".json").write_text(json.dumps(facts, indent=1))
    partial.rename(target)
    return target
