"""What a file is by its name: a picture, a picture we do not measure, or something else."""

# Formats the audit decodes. The container is checked again by content: an
# extension is a claim, not a fact.
PICTURES = frozenset("jpg jpeg jpe jfif jif mpo png tif tiff webp heic heif hif".split())

# Camera raw files, by the makers' extensions; common practice, no source.
RAW = frozenset(
    "3fr ari arw bay cap cr2 cr3 crw dcr dng eip erf fff gpr iiq k25 kdc mef mos mrw nef nrw"
    " orf ori pef ptx raf raw rw2 rwl sr2 srf srw x3f".split()
)

# Pictures in a format the audit does not measure; each gets a row that says so.
OTHER_PICTURES = frozenset(
    "ai avif bmp dib emf eps exr gif hdr ico j2k jp2 jpf jpx jxl jxr pbm pcx pgm pnm ppm ps psb"
    " psd svg svgz tga wdp wmf xcf".split()
)

RAW_REASON = (
    "This is a camera raw file; only developed pictures are measured."
    " Ask for its JPEG or TIFF, or leave the raw file out of the delivery."
)
FORMAT_REASON = "Files of the kind .{suffix} are not measured. Ask for this picture as JPEG, PNG, TIFF, WebP or HEIC."

# Left by operating systems and storage boxes beside the pictures; no photographer put them there.
_SYSTEM_NAMES = frozenset(
    (
        "thumbs.db", "ehthumbs.db", "ehthumbs_vista.db", "desktop.ini", "icon\r", "__macosx", "@eadir", "#recycle",
        "$recycle.bin", "recycler", "system volume information", "lost+found",
    )
)  # fmt: skip


def suffix_of(name):
    """
    Extension in lower case, without the dot; stray spaces and dots after it do not count.

    >>> suffix_of("bags/AB-1_front.JPG"), suffix_of("README"), suffix_of("front.jpg ")
    ('jpg', '', 'jpg')
    """
    base = name.rpartition("/")[2].rstrip(" .\t\r\n")
    stem, dot, suffix = base.rpartition(".")
    return suffix.lower() if dot and stem else ""


def kind_by_name(name):
    """``image``, ``raw``, ``other_image`` or ``other``."""
    suffix = suffix_of(name)
    if suffix in PICTURES:
        return "image"
    if suffix in RAW:
        return "raw"
    return "other_image" if suffix in OTHER_PICTURES else "other"


def problem_by_kind(name):
    """Why a file of this kind gives no measurement, or an empty text."""
    kind = kind_by_name(name)
    if kind == "raw":
        return RAW_REASON
    if kind == "other_image":
        return FORMAT_REASON.format(suffix=suffix_of(name))
    return ""


def is_system_name(component):
    """True for hidden and system files and folders, by one component of a path."""
    return component.startswith(".") or component.lower() in _SYSTEM_NAMES
