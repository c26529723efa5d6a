"""
How the trade spells the views of a bag in file names.

Common practice, no source. A brief adds its own under ``views.words``. Spellings
that stand for colours or countries as often as for a view (``bk``, ``fr``) are
left out on purpose.
"""

import unicodedata

# view: (kind, spellings). Spaces mark where a name may have any separator or none.
VIEWS = {
    "three_quarter": (
        "upright",
        (
            "three quarter", "three quarters", "three qtr", "3 quarter", "3 quarters", "3 qtr", "3 q", "3 4", "34", "3 4th",
            "¾", "quarter", "quarter view", "qtr", "tq view", "45", "45 deg", "45 degree", "45 degrees", "45 grad", "angle", "angled",
            "dreiviertel", "drei viertel", "halbprofil", "schräg", "schraeg", "trois quarts", "trois quart", "3 quarts",
            "tre quarti", "3 quarti", "tres cuartos", "3 cuartos", "driekwart", "perspective", "tq", "34 l", "34 r", "3 4 l", "3 4 r",
            "tre kvart", "trekvart", "skrå", "skraa", "skra", "tres quartos",
        ),
    ),
    "front": (
        "upright",
        (
            "front", "frt", "frontal", "front side", "front view", "straight", "straight on", "head on", "face",
            "vorne", "vorderseite", "vorderansicht", "front ansicht", "avant", "devant", "de face", "fronte", "davanti",
            "frente", "frontale", "anteriore", "delantera", "delantero", "voorkant", "voorzijde", "forfra", "forside",
            "framsida", "framifrån", "przód", "przod",
        ),
    ),
    "back": (
        "upright",
        (
            "back", "rear", "back side", "back view", "rear view", "reverse", "behind", "rueck", "rück", "rueckseite",
            "rückseite", "rueckansicht", "rückansicht", "hinten", "arriere", "derriere", "dos", "retro", "dietro",
            "posteriore", "espalda", "trasera", "trasero", "detras", "atras", "posterior", "achterkant", "achterzijde", "verso",
            "bagfra", "bagside", "bakfra", "bakside", "baksida", "bakifrån", "costas", "traseira", "tył", "tyl",
        ),
    ),
    "back_three_quarter": (
        "upright",
        (
            "back three quarter", "back 3 quarter", "back 3 4", "back 34", "back 3 q", "rear three quarter", "rear 3 4",
            "rear 34", "rear 3 q", "three quarter back", "3 quarter back", "3 4 back", "34 back", "3 q back",
            "three quarter rear", "3 4 rear", "34 rear", "3 q rear",
        ),
    ),
    "detail": (
        "crop",
        (
            "detail", "details", "detal", "det", "dtl", "closeup", "close up", "close", "macro", "makro", "crop", "texture",
            "hardware", "detailansicht", "dettaglio", "dettagli", "detalle", "detalles", "detalj",
            "detalje", "detaljer", "detalhe", "detalhes", "närbild", "szczegół",
        ),
    ),
    "interior": (
        "overhead",
        (
            "interior", "int", "inside", "inner", "lining", "open", "opened", "innen", "innenansicht", "innenseite",
            "futter", "interieur", "doublure", "interno", "fodera", "forro", "binnenkant", "voering", "insida", "inderside", "innside",
            "wnętrze",
        ),
    ),
    "side": (
        "upright",
        (
            "side", "side view", "profile", "profil", "profilo", "perfil", "lateral", "left", "right", "left side", "right side", "side left",
            "side right", "gusset", "seite", "seitenansicht", "cote", "lato", "fianco", "lado", "zijkant",
        ),
    ),
    "top": ("overhead", ("top", "top view", "top down", "above", "overhead", "oben", "draufsicht", "dessus", "bovenkant")),
    "base": ("overhead", ("base", "bottom", "bottom view", "underside", "feet", "boden", "unterseite", "dessous", "onderkant", "fondo", "bund", "bunn", "botten")),
    "strap": (
        "other",
        ("strap", "straps", "shoulder strap", "strap only", "riemen", "gurt", "schultergurt", "bandouliere", "tracolla"),
    ),
    "worn": (
        "worn",
        (
            "worn", "model", "on model", "with model", "wearing", "on body", "body", "mannequin", "lifestyle", "scale",
            "am modell", "getragen", "porte", "indossato", "gedragen",
        ),
    ),
    "target": (
        "target",
        (
            "target", "colour target", "color target", "chart", "colour chart", "color chart", "test chart", "grey card",
            "gray card", "grey scale", "gray scale", "white card", "calibration", "white balance", "graukarte",
            "farbkarte", "farbtafel", "charte",
        ),
    ),
}  # fmt: skip

# Where several of these stand side by side, the first in this list is the view and the
# rest describe it: 'detail_front' is a detail, 'interior_top' an interior.
RANK = (
    "target", "detail", "worn", "interior", "back_three_quarter", "three_quarter", "back", "front", "top", "base", "side",
    "strap",
)  # fmt: skip

# Views whose names are often part of a product's: 'shoulder strap', 'top handle'.
PART_OF_NAMES = frozenset(("strap", "top", "base", "side", "worn"))

# Words a name may carry beside the view without meaning anything.
NOISE = frozenset(
    "view views shot shots pic pics picture pictures image images img imgs photo photos foto fotos bild bilder ansicht"
    " vue vista".split()
)

# Words that stand for any product, so that none of them is an SKU by itself.
ANY_PRODUCT = frozenset("bag bags product produkt packshot item article artikel sac borsa tas".split())

# Parts of a bag: a name that ends in one and says no view shows it close up.
PARTS = frozenset(
    "buckle clasp zip zipper lock closure logo stitching stitch seam tassel pocket snap stud studs grain charm corner piping"
    " schnalle schloss reissverschluss naht boucle fermoir fibbia chiusura cerniera hebilla cremallera cierre".split()
)

# Words for a product's first picture, which say what it is for and not what it shows.
MAIN_PICTURE = frozenset("hero main primary lead cover haupt hauptbild titelbild principale principal".split())

# Words before a number that the number belongs to: 'tote_01' is a product, not the first picture of 'tote'.
COUNTED_PRODUCTS = ANY_PRODUCT | frozenset(
    "sku style prod ref no nr handbag purse tote hobo clutch satchel bucket crossbody backpack shopper pouch weekender wallet".split()
)
SHORTEST_NAME = 4  # letters; fewer before a number are part of a code ('BG-01'), not a product's name

# Colours by which folders within a style's folder are named; 'dark' and the like stand beside them.
COLOURS = frozenset(
    "black white grey gray silver gold red crimson burgundy bordeaux wine pink rose blush fuchsia magenta orange rust coral peach"
    " yellow mustard green olive khaki sage mint teal turquoise petrol blue navy denim indigo purple plum lilac lavender violet"
    " brown tan cognac camel chocolate caramel taupe beige cream ivory ecru sand nude stone natural charcoal anthracite ink"
    " bronze copper metallic multi multicolour multicolor dark light pale deep bright off colour color"
    " schwarz weiss grau rot rosa gelb grun blau lila braun noir blanc gris rouge jaune vert bleu marron nero bianco rosso"
    " giallo verde blu marrone negro blanco rojo amarillo azul".split()
)

# Words that look like a misspelt view and are not.
NOT_MISSPELT = frozenset("black bag bags site tape tote sand".split())

# Folders that sort files by anything but product or view.
SORTING_FOLDERS = frozenset(
    "jpg jpeg jpegs jpgs png pngs tif tiff tiffs webp heic raw raws originals original finals final selects selected"
    " web print hires highres hi high lowres low retouched retouch edited edits edit export exports output outputs"
    " delivery delivered deliveries upload uploads approved new old large small medium thumbs thumbnails rgb srgb cmyk"
    " square cutout cutouts dcim capture captures incoming inbox bags products all misc images pictures photos".split()
)

# Sizes, uses and qualities one picture is exported in, where they follow the view.
RENDITIONS = frozenset(
    "web hires highres lowres hi low hr lr print thumb thumbs thumbnail small medium large xl xxl zoom full fullsize"
    " preview mobile desktop retina srgb rgb cmyk jpg jpeg png tif tiff webp square portrait landscape cutout"
    " freigestellt transparent whitebg nobg".split()
)

# Rounds of work on one picture; a higher number is the newer one.
ROUNDS = {
    "raw": 0, "old": 0, "draft": 1, "alt": 1, "edit": 1, "edited": 1, "retouch": 1, "retouched": 1, "ret": 1, "rt": 1,
    "retusche": 1, "fix": 2, "fixed": 2, "corr": 2, "corrected": 2, "revised": 2, "new": 2, "neu": 2,
    "final": 1000, "finals": 1000, "finished": 1000, "approved": 2000,
}  # fmt: skip
NUMBERED_ROUNDS = frozenset("v r ver version rev round take".split())  # only with a number: v2, r3

COPIES = frozenset("copy copie kopie copia kopia duplicate".split())

# Words that are never part of an SKU, so that they may be dropped from the end of one.
NEVER_SKU = frozenset(
    "web hires highres lowres thumb thumbnail srgb final retouched edited retouch copy kopie copie".split()
)

STRAP_WITH = ("with strap", "strap on", "mit riemen", "mit gurt", "strapped")
STRAP_WITHOUT = (
    "without strap", "no strap", "strap off", "strap removed", "strapless", "ohne riemen", "ohne gurt", "wo strap",
)  # fmt: skip


def fold(word):
    """
    Lower case without accents: the form in which words are compared.

    >>> fold("Rückseite"), fold("FRONT")
    ('ruckseite', 'front')
    """
    if word.isascii():
        return word.lower()
    plain = unicodedata.normalize("NFKD", word.replace("¾", " 3 4 ").casefold())
    return "".join(char for char in plain if not unicodedata.combining(char)).replace("⁄", " ")
