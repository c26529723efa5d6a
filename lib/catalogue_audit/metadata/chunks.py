"""Chunks of PNG (ISO/IEC 15948) and RIFF files, walked without reading their content."""


def png_chunks(data, limit=10_000):
    """(type, payload start, payload end) of a PNG's chunks before and after the pixels, in order."""
    position = 8
    for _ in range(limit):
        if position + 8 > len(data):
            return
        size = int.from_bytes(data[position : position + 4], "big")
        kind = data[position + 4 : position + 8]
        yield kind, position + 8, min(position + 8 + size, len(data))
        position += size + 12


def riff_chunks(data, limit=10_000):
    """(type, payload start, payload end) of a RIFF file's chunks, in order."""
    position = 12
    for _ in range(limit):
        if position + 8 > len(data):
            return
        size = int.from_bytes(data[position + 4 : position + 8], "little")
        yield data[position : position + 4], position + 8, min(position + 8 + size, len(data))
        position += 8 + size + size % 2
