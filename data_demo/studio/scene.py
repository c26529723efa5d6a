"""The studio in Blender: seamless sweep, soft boxes, background lamps, the product. Metres."""

import math

import bpy
import numpy as np
from mathutils import Matrix, Vector

from . import bodies, materials, shapes

SWEEP = materials.Material("#e8e8e8", roughness=0.9, grain_cm=0.0)


def empty():
    """A fresh scene with our render settings."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    cycles = scene.cycles
    cycles.device = "CPU"
    cycles.use_denoising, cycles.denoiser = True, "OPENIMAGEDENOISE"
    cycles.denoising_input_passes, cycles.denoising_prefilter = "RGB_ALBEDO_NORMAL", "FAST"
    cycles.denoising_quality = "BALANCED"
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 1, 1, 1
    cycles.use_light_tree = False
    cycles.transmission_bounces = cycles.volume_bounces = cycles.transparent_max_bounces = 2
    cycles.caustics_reflective = cycles.caustics_refractive = False
    cycles.sample_clamp_indirect, cycles.blur_glossy = 4.0, 0.6
    cycles.use_adaptive_sampling = False
    cycles.pixel_filter_type, cycles.filter_width = "BLACKMAN_HARRIS", 1.5
    scene.render.use_persistent_data = True
    scene.render.image_settings.file_format = "OPEN_EXR"
    scene.render.image_settings.color_mode = "RGBA"
    scene.render.image_settings.color_depth = "16"
    scene.view_settings.view_transform = "Raw"
    world = bpy.data.worlds.new("studio")
    world.use_nodes = True
    world.node_tree.nodes["Background"].inputs[0].default_value = (0.16, 0.16, 0.16, 1)
    scene.world = world
    return scene


def add_mesh(name, mesh, material, matrix=None):
    """Mesh arrays in centimetres to an object in metres."""
    data = bpy.data.meshes.new(name)
    data.from_pydata((mesh[0] / 100).tolist(), [], mesh[1])
    data.polygons.foreach_set("use_smooth", np.ones(len(data.polygons), bool))
    data.materials.append(material)
    thing = bpy.data.objects.new(name, data)
    if matrix is not None:
        thing.matrix_world = Matrix(matrix.tolist())
    bpy.context.scene.collection.objects.link(thing)
    return thing


def _lamp(name, at, target, size, power, tint=(1, 1, 1)):
    data = bpy.data.lights.new(name, "AREA")
    data.shape, data.size, data.size_y = "RECTANGLE", *size
    data.energy, data.color = power, tint
    thing = bpy.data.objects.new(name, data)
    thing.location = at
    thing.rotation_euler = (Vector(target) - Vector(at)).to_track_quat("-Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(thing)
    return thing


def build_studio():
    """Sweep and lamps; every delivery is lit alike, faults of light come in finishing."""
    curve = [(-400.0, 0.0), (60, 0)]
    curve += [(60 + 80 * math.sin(a), 80 - 80 * math.cos(a)) for a in np.linspace(0.05, math.pi / 2, 24)]
    curve += [(140, 120), (140, 400)]
    across = np.array([-350.0, 350.0])
    vertices = np.array([(x, y, z) for y, z in curve for x in across])
    faces = [(2 * k, 2 * k + 1, 2 * k + 3, 2 * k + 2) for k in range(len(curve) - 1)]
    add_mesh("sweep", (vertices, faces), materials.make("sweep", SWEEP))
    black = materials.make("black card", materials.Material("#0a0a0a", roughness=0.8, grain_cm=0))
    for s in (-1, 1):
        card = np.array([(s * 95.0, -75, 0), (s * 95.0, -25, 0), (s * 95.0, -25, 75), (s * 95.0, -75, 75)])
        add_mesh("black card", (card, [(0, 1, 2, 3)]), black)
    _lamp("key", (-1.15, -1.45, 1.55), (0, 0, 0.18), (0.8, 1.0), 44)
    _lamp("fill", (1.55, -1.5, 0.95), (0, 0, 0.18), (0.6, 1.2), 15)
    _lamp("top", (0.1, 0.15, 1.9), (0, 0.0, 0.1), (1.3, 0.8), 12)
    for s in (-1, 1):
        _lamp("background", (s * 1.7, 0.35, 1.1), (s * 0.25, 1.4, 0.55), (0.6, 1.4), 9)


def build_product(bag, pose):
    """All parts of a bag in a pose, in product space."""
    return bodies.SHAPES[bag.style](bag, pose)


def add_product(bag, parts, matrix):
    """One object a material; returns the objects."""
    metres = matrix.copy()
    metres[:3, 3] /= 100
    things = []
    for key in sorted({p.material for p in parts}):
        mesh = shapes.merge([(p.vertices, p.faces) for p in parts if p.material == key])
        things.append(add_mesh(f"product {key}", mesh, materials.make(key, bag.material(key)), metres))
    return things


def set_camera(scene, camera, width_px, height_px, overscan, sensor_width_mm):
    """The camera of ``camera.Camera``, its canvas ``overscan`` times the frame."""
    data = bpy.data.cameras.new("camera")
    data.sensor_fit, data.sensor_width = "HORIZONTAL", sensor_width_mm * overscan
    data.lens, data.clip_start = camera.focal_length_mm, 0.05
    right, up, forward = camera.axes
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = right, up, -forward
    matrix[:3, 3] = camera.position / 100
    thing = bpy.data.objects.new("camera", data)
    thing.matrix_world = Matrix(matrix.tolist())
    scene.collection.objects.link(thing)
    scene.camera = thing
    scene.render.resolution_x = round(width_px * overscan)
    scene.render.resolution_y = round(height_px * overscan)
    scene.render.resolution_percentage = 100
