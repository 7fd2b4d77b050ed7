"""``python -m fault_kit DESIGN.toml --seed 7 --places 25 --out folder``; with ``--read`` the finder reads them, too."""

from __future__ import annotations

import argparse
from pathlib import Path

from fault_kit.folder import Kit
from fault_kit.reading import read_folder, table


def main() -> None:
    """Write builds, and have them read."""
    parser = argparse.ArgumentParser(prog="fault_kit", description=__doc__)
    parser.add_argument("design", type=Path, help="a design of simwrap with a [supply]")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--places", type=int, default=25, help="how many places are read of each build")
    parser.add_argument("--builds", type=int, default=100)
    parser.add_argument("--out", type=Path, required=True, help="folder of the CSV files and of truth.csv")
    parser.add_argument("--read", nargs="?", const="6,12,25", help="numbers of places, with commas between them")
    parser.add_argument("--only-read", action="store_true", help="read what is in the folder already")
    given = parser.parse_args()
    if not given.only_read:
        kit = Kit(given.design, given.seed)
        truths = kit.write(given.out, given.builds, given.places)
        kinds = {truth.kind for truth in truths}
        print(f"{len(truths)} builds, {len(kinds)} kinds; {sum(bool(t.dangers) for t in truths)} dangerous; of "
              f"{len(kit.faults)} faults of {len({fault.kind for fault in kit.faults})} kinds")  # fmt: skip
    if given.read or given.only_read:
        counts = [int(word) for word in (given.read or "6,12,25").split(",")]
        print("\n".join(table(read_folder(given.design, given.out, counts))))


if __name__ == "__main__":
    main()
