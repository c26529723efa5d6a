"""Meshes as plain arrays: closed outlines, lofts, tubes, stitches.

Lengths are centimetres. The product stands on z = 0, its front looks along -y (towards the
camera), +x is the camera's right. A mesh is a pair ``(vertices (N, 3), faces list of tuples)``.
"""

import math

import numpy as np


def resample(points, count, closed=False):
    """Points spaced evenly by arc length along a polyline; ``closed`` joins the ends."""
    points = np.asarray(points, float)
    if closed:
        points = np.vstack([points, points[:1]])
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    along = np.concatenate([[0], np.cumsum(steps)])
    at = np.linspace(0, along[-1], count, endpoint=not closed)
    return np.stack([np.interp(at, along, points[:, k]) for k in range(points.shape[1])], axis=1)


def smooth_curve(points, count, closed=False):
    """Catmull-Rom spline through ``points``, resampled to ``count`` even steps."""
    p = np.asarray(points, float)
    if closed:
        p = np.vstack([p[-1:], p, p[:2]])
    else:
        p = np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    t = np.linspace(0, 1, 24, endpoint=False)[:, None]
    pieces = []
    for a, b, c, d in zip(p[:-3], p[1:-2], p[2:-1], p[3:]):
        pieces.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2
                             + (3 * b - a - 3 * c + d) * t**3))
    dense = np.vstack(pieces + ([] if closed else [p[-2:-1]]))
    return resample(dense, count, closed)


def superellipse(half_x, half_y, exponent, count):
    """Closed outline |x/a|^n + |y/b|^n = 1, counter-clockwise from +x."""
    angle = np.linspace(0, 2 * math.pi, 1600, endpoint=False)
    c, s = np.cos(angle), np.sin(angle)
    x = half_x * np.sign(c) * np.abs(c) ** (2 / exponent)
    y = half_y * np.sign(s) * np.abs(s) ** (2 / exponent)
    return resample(np.stack([x, y], axis=1), count, closed=True)


def rounded_rectangle(width, height, radius, count):
    """Closed outline about the origin, counter-clockwise, starting at the right-hand side."""
    radius = min(radius, width / 2 - 1e-3, height / 2 - 1e-3)
    corners = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    points = [(width / 2, 0.0)]
    for k, (sx, sy) in enumerate(corners):
        angle = np.linspace(k * math.pi / 2, (k + 1) * math.pi / 2, 14)
        cx, cy = sx * (width / 2 - radius), sy * (height / 2 - radius)
        points += list(zip(cx + radius * np.cos(angle), cy + radius * np.sin(angle)))
    return resample(points, count, closed=True)


def loft(rings, cap_start=True, cap_end=True):
    """Skin over closed rings (R, N, 3); caps are fans about the ring's centre."""
    rings = np.asarray(rings, float)
    count, size = rings.shape[:2]
    index = np.arange(count * size).reshape(count, size)
    right = np.roll(index, -1, axis=1)
    quads = np.stack([index[:-1], right[:-1], right[1:], index[1:]], axis=-1).reshape(-1, 4)
    vertices = rings.reshape(-1, 3)
    faces = [tuple(q) for q in quads.tolist()]
    for wanted, ring, order in ((cap_start, 0, -1), (cap_end, count - 1, 1)):
        if wanted:
            centre = len(vertices)
            vertices = np.vstack([vertices, rings[ring].mean(axis=0)])
            edge = index[ring][::order]
            faces += [(int(a), int(b), centre) for a, b in zip(edge, np.roll(edge, -1))]
    return vertices, faces


def merge(meshes):
    """Several meshes as one."""
    vertices, faces, start = [], [], 0
    for v, f in meshes:
        vertices.append(v)
        faces += [tuple(i + start for i in face) for face in f]
        start += len(v)
    return np.vstack(vertices), faces


def vertex_normals(vertices, faces):
    """Unit normals (N, 3), the mean of the faces around each vertex weighted by area."""
    normals = np.zeros_like(vertices)
    for size in (3, 4):
        index = np.array([f for f in faces if len(f) == size], int).reshape(-1, size)
        if not len(index):
            continue
        a, b, c = vertices[index[:, 0]], vertices[index[:, 1]], vertices[index[:, 2]]
        face = np.cross(b - a, c - a) if size == 3 else np.cross(c - a, vertices[index[:, 3]] - b)
        for k in range(size):
            np.add.at(normals, index[:, k], face)
    return normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)


def frames_along(path, normals=None, closed=False):
    """Tangents, normals, binormals along a path; without ``normals`` they are carried parallel."""
    if closed:
        tangent = np.roll(path, -1, axis=0) - np.roll(path, 1, axis=0)
    else:
        tangent = np.gradient(path, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    if normals is None:
        start = np.array([0, -1.0, 0]) if abs(tangent[0, 1]) < 0.9 else np.array([0, 0, 1.0])
        normals = np.empty_like(path)
        for k, t in enumerate(tangent):
            start = start - t * (start @ t)
            start /= np.linalg.norm(start)
            normals[k] = start
    else:
        normals = normals - tangent * np.sum(normals * tangent, axis=1, keepdims=True)
        normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-9)
    return tangent, normals, np.cross(tangent, normals)


def tube(path, profile, normals=None, closed=False):
    """Sweep a closed profile (P, 2: across, along the normal) along a path (K, 3)."""
    path = np.asarray(path, float)
    _, normal, across = frames_along(path, normals, closed)
    rings = (path[:, None] + profile[None, :, :1] * across[:, None]
             + profile[None, :, 1:] * normal[:, None])
    if closed:
        rings = np.concatenate([rings, rings[:1]])
    return loft(rings, not closed, not closed)


def rod(path, radius, sides=12, closed=False):
    """Round tube."""
    return tube(path, superellipse(radius, radius, 2, sides), closed=closed)


def ribbon(path, normals, width, thickness):
    """Flat strap with softened edges, its face along ``normals``."""
    return tube(path, rounded_rectangle(width, thickness, thickness * 0.45, 20), normals)


def torus(centre, radius, thickness, axis, squash=1.0):
    """Ring of wire about ``axis``; ``squash`` flattens it along its second direction."""
    axis = np.asarray(axis, float) / np.linalg.norm(axis)
    side = np.cross(axis, [0, 0, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0, 0])
    side /= np.linalg.norm(side)
    up = np.cross(axis, side)
    angle = np.linspace(0, 2 * math.pi, 40, endpoint=False)[:, None]
    path = centre + radius * (np.cos(angle) * side + squash * np.sin(angle) * up)
    return rod(path, thickness, 12, closed=True)


def pad(outline, thickness, place, bevel=0.12):
    """A flat piece with softened edges: outline (N, 2), ``place`` maps (N, 2), height to (N, 3)."""
    centre = outline.mean(axis=0)
    size = np.linalg.norm(outline - centre, axis=1).mean()
    shrink = lambda by: centre + (outline - centre) * (1 - by / size)
    rings = [place(shrink(0), -0.15), place(shrink(0), thickness - bevel)]
    for a in np.linspace(0.25, 1, 4) * math.pi / 2:
        rings.append(place(shrink(bevel * (1 - math.cos(a))), thickness - bevel * (1 - math.sin(a))))
    for by in np.linspace(bevel, size, 26)[1:-1]:
        rings.append(place(shrink(by), thickness))
    return loft(rings, cap_start=False)


def box(centre, size, radius=0.1):
    """Cuboid with rounded edges: size (x, y, z)."""
    x, y, z = size
    rings = []
    for s in (-1, 1):
        for a in np.linspace(0, 1, 4)[::-s] * math.pi / 2:
            inset = radius * (1 - math.cos(a))
            ring = rounded_rectangle(x - 2 * inset, y - 2 * inset, radius, 32)
            height = s * (z / 2 - radius * (1 - math.sin(a)))
            rings.append(np.column_stack([ring, np.full(32, height)]))
    vertices, faces = loft(np.array(rings))
    return vertices + np.asarray(centre, float), faces


def stitches(path, normals, pitch=0.42, length=0.3, radius=0.05):
    """A row of stitches: small capsules lying on a path, lifted along ``normals`` (K, 3)."""
    total = np.linalg.norm(np.diff(path, axis=0), axis=1).sum()
    count = max(int(total / pitch), 2)
    both = resample(np.hstack([path, normals]), count)
    centre = both[:, :3]
    tangent, normal, across = frames_along(centre, both[:, 3:])
    angle = np.linspace(0, 2 * math.pi, 6, endpoint=False)
    along = np.array([-0.5, -0.42, -0.2, 0.2, 0.42, 0.5]) * length
    width = np.array([0.35, 0.8, 1, 1, 0.8, 0.35]) * radius
    sink = np.array([-0.7, 0.1, 0.45, 0.45, 0.1, -0.7]) * radius
    ring = (width[:, None, None] * (np.cos(angle)[:, None] * np.array([0, 0, 1.0])
                                    + np.sin(angle)[:, None] * np.array([0, 1.0, 0])))
    ring[:, :, 0] += along[:, None]
    ring[:, :, 1] += sink[:, None]
    basis = np.stack([tangent, normal, across], axis=1)
    vertices = np.einsum("rsc,kcd->krsd", ring, basis) + centre[:, None, None]
    pieces = [loft(v) for v in vertices[:1]]
    size, face = len(pieces[0][0]), pieces[0][1]
    grid = vertices.reshape(count, -1, 3)
    caps = np.stack([vertices[:, 0].mean(axis=1), vertices[:, -1].mean(axis=1)], axis=1)
    stacked = np.concatenate([grid, caps], axis=1).reshape(-1, 3)
    faces = [tuple(i + k * size for i in f) for k in range(count) for f in face]
    return stacked, faces


def ripple(points, seed, wavelength, octaves=3, stretch=(1, 1, 1)):
    """Smooth noise of about unit size at points (N, 3); one wavelength in cm, halved per octave."""
    random = np.random.default_rng(seed)
    total = np.zeros(len(points))
    for octave in range(octaves):
        scale = 2 * math.pi / wavelength * 2**octave
        direction = random.normal(size=(7, 3)) / np.asarray(stretch)
        direction *= scale / np.linalg.norm(direction, axis=1, keepdims=True)
        phase = random.uniform(0, 2 * math.pi, 7)
        warped = points + 0.12 * wavelength * np.sin(points[:, [1, 2, 0]] * scale * 0.3)
        total += np.sin(warped @ direction.T + phase).sum(axis=1) / 2.6 / 2**octave
    return total


def soften(mesh, amount, seed, wavelength, stretch=(1, 1, 2.2), base=2.0):
    """Push the skin in and out; nothing moves on the ground."""
    vertices, faces = mesh
    if amount <= 0:
        return mesh
    grip = np.clip(vertices[:, 2:] / base, 0, 1)
    push = ripple(vertices, seed, wavelength, 3, stretch)[:, None] * amount
    return vertices + vertex_normals(vertices, faces) * push * grip, faces
