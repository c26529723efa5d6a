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
    for shot in plan.shots(args.set):
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


def cases(args):
    """Finish many faults anew, for the accuracy table."""
    from studio import cases as made
    for folder in made.write_cases(args.cache, args.out, args.check):
        print(folder, flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cache", default=str(Path.home() / ".cache" / "bag_studio"), help="folder of base renders, outside the repository")
    commands = parser.add_subparsers(dest="command", required=True)
    render = commands.add_parser("bases", help="render the base pictures that the cache lacks")
    render.add_argument("--set", default="all", help="c, demo, poses or all")
    render.add_argument("--only", default="", help="only keys that contain this")
    render.add_argument("--samples", type=int, default=8)
    render.add_argument("--threads", type=int, default=1)
    render.set_defaults(run=bases)
    deliveries = commands.add_parser("deliveries", help="finish deliveries and their truth from the base pictures")
    deliveries.add_argument("names", nargs="*", help="delivery, clean, finals, small; none means all")
    deliveries.add_argument("--out", default=str(HERE), help="folder that gets the deliveries, and truth/ beside them")
    deliveries.set_defaults(run=deliver)
    more = commands.add_parser("cases", help="finish ten and more faults a check into a temporary folder")
    more.add_argument("out", help="folder for the deliveries and their truth")
    more.add_argument("--check", nargs="*", default=[], help="only these checks")
    more.set_defaults(run=cases)
    args = parser.parse_args()
    args.run(args)


if __name__ == "__main__":
    main()
