"""All figures of the owner's evening: cars by the advice alone, then histories of two years.

python -m tests.evenings.figures [--seed 1] [--cars 100] [--nights 14] [--histories 60]
    [--workers 2]
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from . import histories, play

LOOK_EVERY = 5  # nights between looks at the trends


def main() -> None:
    """Parse, play, live, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cars", type=int, default=100)
    parser.add_argument("--nights", type=int, default=14)
    parser.add_argument("--histories", type=int, default=60)
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    root = play.CHECKOUT
    played = partial(play.play_car, root, nights=args.nights)
    lived = partial(histories.live, root, every=LOOK_EVERY)
    stories = [histories.make_story(i, args.seed) for i in range(args.histories)]
    with ProcessPoolExecutor(args.workers) as pool:
        plays = list(pool.map(played, play.fleet(args.cars, args.seed)))
        print(play.table(plays, args.nights), flush=True)
        print(f"\n{histories.table(list(pool.map(lived, stories)))}")


if __name__ == "__main__":
    main()
