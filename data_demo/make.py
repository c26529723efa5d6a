"""Make the demo deliveries and their truth. ``python make.py --help``."""

import argparse
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))


def bases(args):
    """Render what the cache does not hold."""
    from studio import plan
    from studio.render import render_base
    shots = plan.shots(args.set)
    for shot in shots[::-1] if args.backwards else shots:
        if args.only and args.only not in shot.key:
            continue
        started = time.time()
        if not (Path(args.cache) / f"{shot.key}.npz").exists():
            render_base(shot, args.cache, args.samples, args.threads)
            print(f"{shot.key} {time.time() - started:.0f} s", flush=True)


def deliver(args):
    """Finish deliveries from the cache and write them with their truth."""
    from studio import plan, truth
    for name in args.names or ("delivery", "clean", "finals", "small"):
        pictures, bags, changes, missing = plan.DELIVERIES[name]()
        lacking = sorted({p.base for p in pictures if not (Path(args.cache) / f"{p.base}.npz").exists()})
        if lacking:
            sys.exit(f"{name}: {len(lacking)} base renders are not in {args.cache} (first: {lacking[0]}).\nRun: python make.py bases")
        truth.write_delivery(name, pictures, bags, changes, missing, args.cache, Path(args.out) / name, Path(args.out) / "truth")
        print(f"{name}: {len(pictures)} pictures", flush=True)


def sheet(args):
    """A contact sheet of the demo, three products a row, in the order of shooting."""
    import cv2
    import numpy as np
    from studio import plan
    wide, high = 124, 155
    tiles = []
    for bag in plan.DEMO:
        for view in ("three-quarter", "front", "back", "detail"):
            image = cv2.imread(str(Path(args.out) / "delivery" / f"{bag.sku}_{view}.jpg"))
            tile = np.full((high, wide, 3), 255, np.uint8)
            if image is not None:
                scale = min(wide / image.shape[1], high / image.shape[0])
                small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)[:high, :wide]
                top = (high - small.shape[0]) // 2
                tile[top:top + small.shape[0], :small.shape[1]] = small
            tiles.append(cv2.copyMakeBorder(tile, 2, 2, 2, 2, cv2.BORDER_CONSTANT, value=(255, 255, 255)))
    rows = [np.hstack(tiles[k:k + 12]) for k in range(0, len(tiles), 12)]
    cv2.imwrite(str(Path(args.out) / "contact_sheet.jpg"), np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 86])


def cases(args):
    """Finish many faults anew, for the accuracy table."""
    from studio import cases as made
    for folder in made.write_cases(args.cache, args.out, args.check):
        print(folder, flush=True)


def sampled(args):
    """Draw bags and faults from a seed, render what is lacking, write the deliveries."""
    from studio import sampled as drawn
    from studio.render import render_base
    from studio.truth import write_delivery
    for shot in drawn.all_shots(args.seed):
        render_base(shot, args.cache, args.samples, args.threads)
    for kind in args.kinds or drawn.KINDS:
        pictures, bags, changes, missing = drawn.KINDS[kind](args.seed)
        name = f"seed_{args.seed}_{kind}"
        write_delivery(name, pictures, bags, changes, missing, args.cache, Path(args.out) / name, Path(args.out) / "truth")
        print(f"{name}: {len(pictures)} pictures", flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cache", default=str(Path.home() / ".cache" / "bag_studio"), help="folder of base renders, outside the repository")
    commands = parser.add_subparsers(dest="command", required=True)
    render = commands.add_parser("bases", help="render the base pictures that the cache lacks")
    render.add_argument("--set", default="all", help="c, demo, poses or all")
    render.add_argument("--only", default="", help="only keys that contain this")
    render.add_argument("--backwards", action="store_true", help="last picture first")
    render.add_argument("--samples", type=int, default=5)
    render.add_argument("--threads", type=int, default=1)
    render.set_defaults(run=bases)
    deliveries = commands.add_parser("deliveries", help="finish deliveries and their truth from the base pictures")
    deliveries.add_argument("names", nargs="*", help="delivery, clean, finals, small; none means all")
    deliveries.add_argument("--out", default=str(HERE), help="folder that gets the deliveries, and truth/ beside them")
    deliveries.set_defaults(run=deliver)
    contact = commands.add_parser("contact-sheet", help="a contact sheet of the demo")
    contact.add_argument("--out", default=str(HERE))
    contact.set_defaults(run=sheet)
    more = commands.add_parser("cases", help="finish ten and more faults a check into a temporary folder")
    more.add_argument("out", help="folder for the deliveries and their truth")
    more.add_argument("--check", nargs="*", default=[], help="only these checks")
    more.set_defaults(run=cases)
    draw = commands.add_parser("sampled", help="other bags with other faults, all drawn from a seed, into a temporary folder")
    draw.add_argument("out", help="folder for the deliveries and their truth")
    draw.add_argument("kinds", nargs="*", help="originals, clean, finals; none means all")
    draw.add_argument("--seed", type=int, default=1)
    draw.add_argument("--samples", type=int, default=5)
    draw.add_argument("--threads", type=int, default=1)
    draw.set_defaults(run=sampled)
    args = parser.parse_args()
    args.run(args)


if __name__ == "__main__":
    main()
