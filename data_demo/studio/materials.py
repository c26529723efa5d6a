"""Leathers, cloths and metals as Cycles materials; the pattern is in object space, in metres."""

from dataclasses import dataclass, field

import bpy
import numpy as np


@dataclass(frozen=True)
class Material:
    """Colours are sRGB hex; ``grain_cm`` is the size of the leather's pebbles, 0 for none."""

    colour: str
    roughness: float = 0.45
    grain_cm: float = 0.16
    grain: float = 0.35
    metallic: float = 0.0
    coat: float = 0.0
    pattern: str = ""          # "", "stripes", "checks", "weave"
    second: str = "#ffffff"
    third: str = "#000000"
    pitch_cm: float = 3.0
    sheen: float = 0.0
    subsurface: float = field(default=0.0)


def linear(hexcolour):
    """sRGB hex to linear RGBA, IEC 61966-2-1."""
    values = [int(hexcolour[k:k + 2], 16) / 255 for k in (1, 3, 5)]
    return (*[v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values], 1.0)


def pebbled(colour, grain_cm=0.16, **more):
    return Material(colour, roughness=0.34, grain_cm=grain_cm, grain=0.8, **more)


def smooth(colour, **more):
    return Material(colour, roughness=0.31, grain_cm=0.14, grain=0.3, **more)


def nubuck(colour):
    return Material(colour, roughness=0.72, grain_cm=0.11, grain=0.22)


def patent(colour):
    return Material(colour, roughness=0.22, grain_cm=0.9, grain=0.10, coat=1.0)


def foil(colour):
    return Material(colour, roughness=0.38, grain_cm=0.17, grain=0.6, metallic=0.85)


def cloth(colour, **more):
    return Material(colour, roughness=0.85, grain_cm=0.0, sheen=0.15, **more)


def metal(colour):
    return Material(colour, roughness=0.17, grain_cm=0.0, metallic=1.0)


GOLD, SILVER, GUN = metal("#e6c27a"), metal("#d5d7da"), metal("#55565c")
LINING = cloth("#8d8073", pattern="weave")
SEAM_DARK, SEAM_LIGHT = "#1c1b1b", "#e9dfcb"


GRAIN_CELLS, GRAIN_SIZE = 48, 768      # pebbles across the tile, pixels across the tile


def grain_tile(seed=5):
    """Height of a leather's pebbles (M, M), 0 to 1; the tile repeats without a seam."""
    random = np.random.default_rng(seed)
    step = GRAIN_SIZE / GRAIN_CELLS
    row, column = np.meshgrid(np.arange(GRAIN_CELLS), np.arange(GRAIN_CELLS), indexing="ij")
    places = (np.stack([row, column], -1).reshape(-1, 2) + random.uniform(0.05, 0.95, (GRAIN_CELLS**2, 2))) * step
    nearest = np.full((2, GRAIN_SIZE, GRAIN_SIZE), np.inf)
    for y, x in places:
        rows = (np.arange(int(y - 2.2 * step), int(y + 2.2 * step)) % GRAIN_SIZE)[:, None]
        columns = (np.arange(int(x - 2.2 * step), int(x + 2.2 * step)) % GRAIN_SIZE)[None]
        far = np.hypot((rows - y + GRAIN_SIZE / 2) % GRAIN_SIZE - GRAIN_SIZE / 2,
                       (columns - x + GRAIN_SIZE / 2) % GRAIN_SIZE - GRAIN_SIZE / 2) / step
        first, second = nearest[0][rows, columns], nearest[1][rows, columns]
        nearest[1][rows, columns] = np.minimum(second, np.maximum(first, far))
        nearest[0][rows, columns] = np.minimum(first, far)
    height = np.clip((nearest[1] - nearest[0]) / 0.55, 0, 1) ** 0.6
    fine = random.normal(size=(GRAIN_SIZE, GRAIN_SIZE))
    soft = lambda a, r: sum(np.roll(np.roll(a, i, 0), j, 1) for i in range(-r, r + 1) for j in range(-r, r + 1)) / (2 * r + 1) ** 2
    return np.clip(soft(height, 1) * 0.82 + 0.09 + 0.12 * soft(fine, 1), 0, 1)


def grain_image():
    """The tile as a Blender image, made once a scene."""
    if "grain" not in bpy.data.images:
        tile = _TILE[0] if _TILE else _TILE.append(grain_tile()) or _TILE[0]
        image = bpy.data.images.new("grain", GRAIN_SIZE, GRAIN_SIZE, float_buffer=True, is_data=True)
        rgba = np.ones((GRAIN_SIZE, GRAIN_SIZE, 4), np.float32)
        rgba[:, :, :3] = tile[:, :, None]
        image.pixels.foreach_set(rgba.ravel())
        image.update()
    return bpy.data.images["grain"]


_TILE = []


def _node(tree, kind, **values):
    node = tree.nodes.new(kind)
    for name, value in values.items():
        if name in node.inputs:
            node.inputs[name].default_value = value
        else:
            setattr(node, name, value)
    return node


def _math(tree, operation, a, b=None):
    node = _node(tree, "ShaderNodeMath", operation=operation)
    for k, value in enumerate((a, b)):
        if value is None:
            continue
        if isinstance(value, (int, float)):
            node.inputs[k].default_value = value
        else:
            tree.links.new(value, node.inputs[k])
    return node.outputs[0]


def _mix(tree, factor, a, b):
    node = tree.nodes.new("ShaderNodeMix")
    node.data_type = "RGBA"
    tree.links.new(factor, node.inputs[0])
    for socket, value in ((node.inputs[6], a), (node.inputs[7], b)):
        if isinstance(value, tuple):
            socket.default_value = value
        else:
            tree.links.new(value, socket)
    return node.outputs[2]


def _inside(tree, coordinate, pitch, low, high):
    """1 where the coordinate's place within its pitch lies between low and high."""
    place = _math(tree, "FRACT", _math(tree, "MULTIPLY", coordinate, 1.0 / pitch))
    return _math(tree, "MULTIPLY", _math(tree, "GREATER_THAN", place, low),
                 _math(tree, "LESS_THAN", place, high))


def _pattern(tree, material, where):
    """Base colour output of a pattern."""
    split = tree.nodes.new("ShaderNodeSeparateXYZ")
    tree.links.new(where, split.inputs[0])
    x, z, pitch = split.outputs[0], split.outputs[2], material.pitch_cm / 100
    base, second, third = linear(material.colour), linear(material.second), linear(material.third)
    if material.pattern == "stripes":
        wide = _inside(tree, x, pitch, 0.0, 0.42)
        thin = _inside(tree, x, pitch, 0.62, 0.72)
        return _mix(tree, thin, _mix(tree, wide, base, second), third)
    if material.pattern == "checks":
        across, up = _inside(tree, x, pitch, 0.0, 0.5), _inside(tree, z, pitch, 0.0, 0.5)
        half = _math(tree, "MULTIPLY", _math(tree, "ADD", across, up), 0.5)
        lines = _math(tree, "MAXIMUM", _inside(tree, x, pitch, 0.72, 0.78), _inside(tree, z, pitch, 0.72, 0.78))
        return _mix(tree, lines, _mix(tree, half, base, second), third)
    return None


def _grain(tree, material, where):
    """Height of the pebbles, 0 to 1, laid on from three sides."""
    place = tree.nodes.new("ShaderNodeVectorMath")
    place.operation = "SCALE"
    place.inputs["Scale"].default_value = 100 / (material.grain_cm * GRAIN_CELLS)
    tree.links.new(where, place.inputs[0])
    leather = tree.nodes.new("ShaderNodeTexImage")
    leather.image = grain_image()
    leather.projection, leather.projection_blend = "BOX", 0.25
    tree.links.new(place.outputs[0], leather.inputs["Vector"])
    return leather.outputs["Color"]


def _bump(tree, material, where, shader):
    """Pebbles with fine creases for leather; threads for cloth."""
    if material.pattern or material.sheen:
        split = tree.nodes.new("ShaderNodeSeparateXYZ")
        tree.links.new(where, split.inputs[0])
        wave = lambda out, pitch: _math(tree, "ABSOLUTE", _math(tree, "SINE", _math(tree, "MULTIPLY", out, 3.14159 / pitch)))
        height = _math(tree, "MULTIPLY", wave(split.outputs[0], 0.0011), wave(split.outputs[2], 0.0013))
        strength, distance = 0.5, 0.0004
    elif material.grain_cm > 0:
        height = _grain(tree, material, where)
        strength, distance = material.grain, material.grain_cm / 100 * 0.75
    else:
        return
    bump = _node(tree, "ShaderNodeBump", Strength=strength, Distance=distance)
    tree.links.new(height, bump.inputs["Height"])
    tree.links.new(bump.outputs[0], shader.inputs["Normal"])


def make(name, material):
    """A Blender material for a Material."""
    made = bpy.data.materials.new(name)
    made.use_nodes = True
    tree = made.node_tree
    shader = next(n for n in tree.nodes if n.type == "BSDF_PRINCIPLED")
    shader.inputs["Base Color"].default_value = linear(material.colour)
    shader.inputs["Roughness"].default_value = material.roughness
    shader.inputs["Metallic"].default_value = material.metallic
    shader.inputs["Coat Weight"].default_value = material.coat
    shader.inputs["Coat Roughness"].default_value = 0.03
    shader.inputs["Sheen Weight"].default_value = material.sheen
    where = tree.nodes.new("ShaderNodeTexCoord").outputs["Object"]
    colour = _pattern(tree, material, where)
    if colour is None and material.grain_cm > 0 and material.coat == 0:
        base = linear(material.colour)
        deep = 0.2 * material.grain
        pit = tuple(c * (1 - deep) for c in base[:3]) + (1.0,)
        colour = _mix(tree, _grain(tree, material, where), pit, tuple(min(c * (1 + 0.25 * deep), 1) for c in base[:3]) + (1.0,))
    if colour is not None:
        tree.links.new(colour, shader.inputs["Base Color"])
    _bump(tree, material, where, shader)
    return made
