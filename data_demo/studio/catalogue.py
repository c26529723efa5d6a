"""The invented house's products: twenty-four for the demo, eight others for the clean deliveries."""

from .bags import Bag
from .materials import GOLD, SILVER, SEAM_DARK, SEAM_LIGHT, cloth, foil, nubuck, patent, pebbled, smooth

BLACK, TAN, COGNAC = "#232124", "#a8703d", "#8a4a23"


def _tote(sku, name, colour, body, trim, **more):
    values = dict(width_cm=38, height_cm=30, depth_cm=14, handle_cm=16, detail_at=(-0.19, 0.86)) | more
    return Bag(sku, name, "tote", colour, body=body, trim=trim, **values)


def _satchel(sku, name, colour, body, trim, **more):
    values = dict(width_cm=28, height_cm=20, depth_cm=10, handle_cm=7, strap=True, detail_at=(0.0, 0.47)) | more
    return Bag(sku, name, "satchel", colour, body=body, trim=trim, **values)


def _bowler(sku, name, colour, body, trim, **more):
    values = dict(width_cm=33, height_cm=23, depth_cm=15, handle_cm=12, strap=True, detail_at=(0.2, 0.74)) | more
    return Bag(sku, name, "bowler", colour, body=body, trim=trim, **values)


def _bucket(sku, name, colour, body, trim, **more):
    values = dict(width_cm=25, height_cm=28, depth_cm=18, strap=True, softness=0.22, detail_at=(0.04, 0.76)) | more
    return Bag(sku, name, "bucket", colour, body=body, trim=trim, **values)


def _hobo(sku, name, colour, body, trim, **more):
    values = dict(width_cm=40, height_cm=27, depth_cm=13, handle_cm=21, softness=0.65, detail_at=(-0.37, 0.82)) | more
    return Bag(sku, name, "hobo", colour, body=body, trim=trim, **values)


def _crossbody(sku, name, colour, body, trim, **more):
    values = dict(width_cm=22, height_cm=15, depth_cm=6, strap=True, detail_at=(0.0, 0.42)) | more
    return Bag(sku, name, "crossbody", colour, body=body, trim=trim, **values)


def _barrel(sku, name, colour, body, trim, **more):
    values = dict(width_cm=34, height_cm=21, depth_cm=20, handle_cm=10, strap=True, detail_at=(-0.21, 0.66)) | more
    return Bag(sku, name, "barrel", colour, body=body, trim=trim, **values)


DEMO = (        # in the order of shooting, eight a day; some styles in two colours
    _tote("AL-1101-BLK", "Alder tote", "black", smooth(BLACK), smooth(BLACK), thread="#8d877c", metal=GOLD, detail=dict(rolled=True)),
    _tote("AL-1101-BRG", "Alder tote", "burgundy", smooth("#57141f"), smooth("#57141f"), thread="#8c4a50", metal=GOLD, detail=dict(rolled=True)),
    _satchel("AL-1204-COG", "Brant satchel", "cognac", smooth(COGNAC), smooth("#7c4120"), thread=SEAM_LIGHT),
    _satchel("AL-1204-TEA", "Brant satchel", "teal", smooth("#1c5560"), smooth("#184a54"), thread=SEAM_LIGHT),
    _bowler("AL-1307-RED", "Corrie bowler", "red", smooth("#9c1626"), smooth("#8c1220"), thread="#b5404a"),
    _bucket("AL-1402-CRM", "Dunlin bucket", "cream", pebbled("#efe6d4", 0.15), smooth("#e4d9c5"), thread="#cdbf9f"),
    _hobo("AL-1503-OLV", "Eider hobo", "olive", pebbled("#6a6849", 0.18), smooth("#625f42"), thread="#8c8966"),
    _crossbody("AL-1601-GLD", "Finch crossbody", "gold", foil("#cdb27c"), foil("#c9ae78"), thread="#a8946b", detail=dict(chain=True, channels=9)),
    _crossbody("AL-1601-ONX", "Finch crossbody", "onyx", smooth(BLACK), smooth(BLACK), thread="#3d3b3d", detail=dict(chain=True, channels=9, sunk=True)),
    _barrel("AL-1705-NVY", "Gannet barrel", "navy", cloth("#23304f", pattern="weave"), smooth("#7a4a25"), thread=SEAM_LIGHT),
    _tote("AL-1102-STR", "Alder tote", "stripe", cloth("#e6dfcf", pattern="stripes", second="#2b3a5c", third="#b5642f", pitch_cm=6.0), smooth("#8a4a23"), thread=SEAM_LIGHT, width_cm=40, height_cm=31, detail=dict(band=7.0)),
    _satchel("AL-1205-WHT", "Brant satchel", "white", pebbled("#f2f0ec", 0.15), smooth("#f0eeea"), thread="#d5d1c8", metal=SILVER, detail=dict(belts=True, corner=2.4), detail_at=(0.27, 0.44), width_cm=30, height_cm=21),
    _bowler("AL-1308-PAT", "Corrie bowler", "black patent", patent("#141316"), patent("#141316"), thread=SEAM_DARK, metal=SILVER, width_cm=31, height_cm=22),
    _hobo("AL-1504-COB", "Eider hobo", "cobalt", smooth("#1f3f9a"), smooth("#1b3888"), thread="#3c5cb8", metal=SILVER, width_cm=38, height_cm=26, softness=0.8),
    _bucket("AL-1404-RAF", "Dunlin bucket", "raffia", cloth("#cbb083", pattern="weave"), smooth("#7c4522"), thread=SEAM_LIGHT, width_cm=23, height_cm=24, depth_cm=17),
    _bowler("AL-1309-GRY", "Corrie weekender", "slate", pebbled("#6f7378", 0.2), smooth("#3a3d42"), thread="#a9acb0", metal=SILVER, width_cm=40, height_cm=26, depth_cm=18, detail=dict(square=3.3)),
    _satchel("AL-1206-CHK", "Brant satchel", "sage check", cloth("#c4c9bd", pattern="checks", second="#4d5f5c", third="#d8a93f", pitch_cm=2.8), smooth("#2f3f3d"), thread="#c4c9bd", detail=dict(drop=0.5, flap="trim", corner=4.0), width_cm=27, height_cm=19, depth_cm=11),
    _crossbody("AL-1602-FUC", "Finch crossbody", "fuchsia", smooth("#b01d66"), smooth("#a51a5f"), thread="#d65c97", width_cm=23, height_cm=16, depth_cm=7, detail=dict(drop=0.66, tag=True)),
    _tote("AL-1104-PNK", "Alder mini", "blush", pebbled("#dba9a4", 0.18), smooth("#cf9892"), thread="#f0d3cd", metal=GOLD, width_cm=25, height_cm=21, depth_cm=11, handle_cm=11, detail=dict(flare=1.02, tag=False)),
    _hobo("AL-1505-SND", "Eider slouch", "sand", nubuck("#bd9c72"), smooth("#8f6a43"), thread="#e0cba8", width_cm=43, height_cm=30, depth_cm=15, softness=0.75),
    _barrel("AL-1707-MUS", "Gannet barrel", "mustard", pebbled("#b98a1f", 0.18), smooth("#4f2f1a"), thread="#e0c070", width_cm=27, height_cm=18, depth_cm=18, handle_cm=9),
    _bucket("AL-1403-TAN", "Dunlin bucket", "tan", pebbled(TAN, 0.17), smooth("#94602f"), thread="#d9b98a", width_cm=24, height_cm=26),
    _barrel("AL-1706-SLV", "Gannet barrel", "silver", foil("#b9bcc2"), smooth(BLACK), thread="#8b8d92", metal=SILVER, width_cm=30, height_cm=19, depth_cm=18),
    _tote("AL-1103-GRN", "Alder shopper", "green", smooth("#14573f"), smooth("#124f39"), thread="#3f8a6d", width_cm=34, height_cm=32, depth_cm=13, handle_cm=14, detail=dict(rolled=True, flare=1.14)),
)

CLEAN = (
    _tote("AL-2101-CRM", "Alder tote", "cream", pebbled("#e8dfcd", 0.24), smooth("#8a4a23"), thread=SEAM_LIGHT, width_cm=36, height_cm=29, detail=dict(rolled=True)),
    _satchel("AL-2204-BLK", "Brant satchel", "black", pebbled(BLACK, 0.2), smooth(BLACK), thread="#4a4a4d", metal=GOLD, detail=dict(pocket=True, corner=4.2)),
    _bowler("AL-2307-COG", "Corrie bowler", "cognac", smooth(COGNAC), smooth("#5e3015"), thread=SEAM_LIGHT, detail=dict(square=3.2)),
    _bucket("AL-2402-PLM", "Dunlin bucket", "plum", pebbled("#5a2a44", 0.2), smooth("#52263e"), thread="#84546e"),
    _hobo("AL-2503-BLK", "Eider hobo", "black", pebbled(BLACK, 0.2), smooth(BLACK), thread="#48484b", metal=SILVER),
    _crossbody("AL-2601-WHT", "Finch crossbody", "white", smooth("#f1efeb"), smooth("#efedea"), thread="#d5d1c8", metal=GOLD, detail=dict(drop=0.6, chain=True)),
    _barrel("AL-2705-STR", "Gannet barrel", "stripe", cloth("#ded6c2", pattern="stripes", second="#7d2f2a", third="#2d2c33", pitch_cm=5.0), smooth("#3a2418"), thread=SEAM_LIGHT),
    _tote("AL-2103-YLW", "Alder shopper", "yellow", smooth("#d9a41f"), smooth("#cf9a19"), thread="#f2d37c", width_cm=34, height_cm=31, depth_cm=12, handle_cm=15),
)
