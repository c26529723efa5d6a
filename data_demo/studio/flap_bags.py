"""Boxy bags with a flap over the front: satchel and crossbody. Centimetres."""

import math

import numpy as np

from . import shapes
from .parts import Surface, handle, hang_tag, inset, long_strap, part, seam, stitched_patch


def _box_body(w, h, d, radius=1.1, belly=0.3, count=240):
    """An upright box with rounded edges all round."""
    rings = []
    for a in np.linspace(0, 1, 8) * math.pi / 2:
        rings.append((radius * (1 - math.sin(a)), radius * (1 - math.cos(a))))
    for z in np.linspace(radius, h - radius, 60)[1:-1]:
        rings.append((0.0, z))
    for a in np.linspace(1, 0, 8) * math.pi / 2:
        rings.append((radius * (1 - math.sin(a)), h - radius * (1 - math.cos(a))))
    out = []
    for inset, z in rings:
        ring = shapes.rounded_rectangle(w - 2 * inset, d - 2 * inset, radius * 1.1, count)
        bulge = np.cos(np.clip(ring[:, 0] / w, -0.5, 0.5) * math.pi) * math.sin(math.pi * z / h)
        ring[:, 1] += np.sign(ring[:, 1]) * belly * bulge
        out.append(np.column_stack([ring, np.full(count, z)]))
    return shapes.loft(np.array(out))


def _flap(body_depth, height, half_width, drop, corner, offset=0.25, thickness=0.3, sunk=False):
    """A flap from the back edge over the top and down the front; (mesh, outline seam path, normals); ``sunk`` stitches follow its thin edge."""
    back = body_depth / 2 + offset
    r = 1.3
    profile = [(back, height - 3.0), (back, height - r)]
    profile += [(back - r * (1 - math.cos(a)), height - r + (r + offset) * math.sin(a)) for a in np.linspace(0.3, 1.57, 5)]
    profile += [(-back + r * (1 - math.cos(a)), height - r + (r + offset) * math.sin(a)) for a in np.linspace(1.57, 0.3, 5)]
    profile += [(-back - 0.15, height - r), (-back - 0.3, height - drop * 0.6), (-back - 0.05, height - drop)]
    path = shapes.smooth_curve([(0, y, z) for y, z in profile], 150)
    along = np.linspace(0, np.linalg.norm(np.diff(path, axis=0), axis=1).sum(), 150)
    left = along[-1] - along
    fall = np.clip(1 - left / corner, 0, 1)
    half = half_width - corner * 0.9 * (1 - np.sqrt(np.clip(1 - fall**2.4, 0, 1)))
    half[-1] = half_width - corner * 0.93
    normal = np.cross(np.gradient(path, axis=0), [1.0, 0, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    if normal[100, 1] > 0:
        normal = -normal
    across = np.linspace(-1, 1, 81)
    edge = 1 - np.abs(across) ** 24
    grid = lambda lift: (path[:, None] + half[:, None, None] * across[None, :, None] * np.array([1.0, 0, 0])
                         + normal[:, None] * (lift * edge[None, :, None]))
    top, low = grid(thickness), grid(0.0)
    rings = np.concatenate([top, low[:, ::-1]], axis=1)
    mesh = shapes.loft(rings[:, :, :])
    inset = 0.45
    lift = thickness * (1 - (1 - inset / half) ** 24) if sunk else np.full(len(path), thickness)
    seam_left, seam_right = (path + (half - inset)[:, None] * [side, 0, 0] + normal * (lift + 0.01)[:, None] for side in (-1.0, 1.0))
    keep = (along > 3.2) & (left > inset)
    bottom_x = np.linspace(-(half[-1] - 0.1), half[-1] - 0.1, 30)
    end = np.column_stack([bottom_x, np.full(30, path[-3, 1] + normal[-3, 1] * (thickness + 0.01)),
                           np.full(30, path[-1, 2] + inset)])
    seam_path = np.vstack([seam_left[keep], end, seam_right[keep][::-1]])
    normals = np.vstack([normal[keep], np.tile(normal[-3], (30, 1)), normal[keep][::-1]])
    return mesh, shapes.resample(seam_path, 400), shapes.resample(normals, 400), path[-1], normal[-3]


def _lock(at, metal="metal"):
    """A turning lock: plate, bevelled rim, and the bar across it."""
    plate = shapes.superellipse(1.55, 1.15, 3.2, 60)

    def place(points, height):
        return np.column_stack([at[0] + points[:, 0], np.full(len(points), at[1] - height), at[2] + points[:, 1]])
    base = shapes.pad(plate, 0.3, place, 0.12)
    bar = shapes.box((at[0], at[1] - 0.6, at[2]), (0.5, 0.6, 1.3), 0.2)
    rim = shapes.rod(place(shapes.superellipse(1.05, 0.72, 3, 60), 0.32), 0.07, 8, True)
    return [part("hardware", metal, base), part("hardware", metal, bar), part("hardware", metal, rim)]


def _belt(skin, x, height, depth, end):
    """A closing belt with a buckle over the flap."""
    z0, z1 = end[2] - 3.4, height - 1.8
    shape = shapes.rounded_rectangle(1.9, z1 - z0, 0.9, 140) + (x, (z0 + z1) / 2)
    y = end[1] - 0.62

    def place(points, lift):
        fall = np.clip((points[:, 1] - height + 3.2) / 3.0, 0, 1)
        return np.column_stack([points[:, 0], y - lift + 0.35 * fall, points[:, 1]])
    strap = shapes.pad(shape, 0.25, place, 0.1)
    line = place(inset(shape, 0.25), 0.25)
    thread = shapes.stitches(np.vstack([line, line[:1]]), np.tile([0, -1.0, 0], (141, 1)))
    at = np.array([x, y - 0.4, end[2] + 0.6])
    frame = shapes.rod(np.column_stack([shapes.rounded_rectangle(2.9, 2.3, 0.5, 50)[:, 0] + x,
                                        np.full(50, at[1]), shapes.rounded_rectangle(2.9, 2.3, 0.5, 50)[:, 1] + at[2]]),
                       0.17, 10, True)
    pin = shapes.rod(np.array([at + (0, -0.12, 1.1), at + (0, -0.2, 0), at + (0, -0.12, -1.2)]), 0.11, 10)
    return [part("hardware", "trim", strap), part("hardware", "thread", thread),
            part("hardware", "metal", shapes.merge([frame, pin]))]


def _top_handle(half, z, height, tilt_deg):
    """One rolled handle on two bridges on top of the bag."""
    parts = []
    for s in (-1, 1):
        tab = shapes.box((s * half, 0, z + 0.05), (2.6, 1.7, 0.3), 0.12)
        parts.append(part("handle_front", "trim", tab))
        parts.append(part("handle_front", "metal", shapes.torus(np.array([s * half, 0, z + 0.75]), 0.72, 0.14, (0, 1, 0))))
    return parts + handle((0.0, z + 1.2), half, height, tilt_deg, "handle_front", radius=0.55, square=0.6)


def _flap_skin(*meshes):
    return Surface(shapes.merge(meshes))


def satchel(bag, pose):
    """Structured box: flap, turning lock, one rolled top handle, long strap."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    body = shapes.soften(_box_body(w, h, d), bag.softness * 0.4, pose.shape_seed, 16)
    skin = Surface(body)
    drop = h * bag.detail.get("drop", 0.58)
    mesh, line, normals, end, end_normal = _flap(d, h, w / 2 - 0.15, drop, bag.detail.get("corner", 3.2))
    parts = [part("body", "body", body), part("body", bag.detail.get("flap", "body"), mesh),
             part("body", "thread", shapes.stitches(line, normals))]
    for side in (-1, 1):
        edge = shapes.rounded_rectangle(w - 1.1, h - 1.1, 1.2, 260) + (0, h / 2)
        parts.append(seam(skin, np.vstack([edge, edge[:1]]), side=side, count=420))
    if bag.detail.get("pocket"):
        shape = shapes.rounded_rectangle(w * 0.78, h * 0.34, 1.0, 160) + (0, h * 0.24)
        parts += stitched_patch(skin, shape, "body", "body", thickness=0.35)
    lock_at = np.array([0, end[1] - 0.32, end[2] + 1.7])
    if bag.detail.get("belts"):
        for s in (-1, 1):
            parts += _belt(skin, s * w * 0.27, h, d, end)
    else:
        parts += _lock(lock_at)
    top = h + 0.55
    parts += _top_handle(w * 0.24, top, bag.handle_cm, pose.tilt_front_deg)
    if bag.strap:
        parts += long_strap(pose.strap_state, w / 2, d, h, h - 2.6, _flap_skin(body, mesh), pose.random(5),
                            chain=bag.detail.get("chain", False))
    if bag.detail.get("tag"):
        parts += hang_tag((w * 0.24, -d / 2 - 0.9, h - 0.4), _flap_skin(body, mesh), swing=pose.tag_swing)
    return parts


def _quilt(mesh, pitch):
    vertices, faces = mesh
    puff = 0.32 * np.abs(np.sin(math.pi * vertices[:, 0] / pitch)) ** 0.55
    facing = np.abs(shapes.vertex_normals(vertices, faces)[:, 1])
    return vertices + np.column_stack([0 * puff, np.sign(vertices[:, 1]) * puff * facing, 0 * puff]), faces


def crossbody(bag, pose):
    """Small flap bag on a chain or a strap; channels quilted across when asked."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    body = _box_body(w, h, d, 1.4, 0.5)
    drop = h * bag.detail.get("drop", 0.72)
    mesh, line, normals, end, _ = _flap(d, h, w / 2 - 0.1, drop, bag.detail.get("corner", 5.0), thickness=0.4, sunk=bag.detail.get("sunk", False))
    if bag.detail.get("channels"):
        body, mesh = (_quilt(m, w / bag.detail["channels"]) for m in (body, mesh))
    skin = Surface(body)
    parts = [part("body", "body", body), part("body", "body", mesh)]
    parts.append(part("body", "thread", shapes.stitches(line + normals * 0.02, normals)))
    edge = shapes.rounded_rectangle(w - 1.2, h - 1.2, 1.3, 260) + (0, h / 2)
    parts += [seam(skin, np.vstack([edge, edge[:1]]), side=s, count=360, lift=0.02) for s in (-1, 1)]
    both = _flap_skin(body, mesh)
    lock_z = end[2] + 1.8
    face, _ = both.across([(x, lock_z) for x in np.linspace(-1.6, 1.6, 9)])
    parts += _lock(np.array([0, face[:, 1].min() + 0.02, lock_z]))
    if bag.strap:
        parts += long_strap(pose.strap_state, w / 2, d, h, h - 1.8, both, pose.random(5), width=1.2,
                            chain=bag.detail.get("chain", False))
    if bag.detail.get("tag"):
        parts += hang_tag((-w * 0.36, -d / 2 - 0.9, h - 0.8), both, swing=pose.tag_swing, size=(2.8, 4.2))
    return parts
