"""Records a live session over the simulated wire and says what is safe; a test kills it. Arguments: folder, seed."""

from __future__ import annotations

import sys
from pathlib import Path

from rehearsal import WIRING

from earwitness.app.capture import begin_or_open, record
from earwitness.capture.series import LiveSettings, TakeState, is_live
from earwitness.capture.simulated import BLOCK, SimulatedSound
from earwitness.capture.take import Recorded


def main(folder: Path, seed: int) -> None:
    settings = LiveSettings(WIRING, angles_deg=(("horizontal", tuple(float(a) for a in range(0, 180, 5))),))
    series = begin_or_open(folder, None if is_live(folder) else settings)
    current = [""]
    blocks = [0]

    def before(state: TakeState) -> str:
        current[0], blocks[0] = state.id, 0
        return "go"

    def tell(_share: float, _meter: object) -> None:
        blocks[0] += 1
        print(f"safe\t{current[0]}\t{blocks[0] * BLOCK}", flush=True)

    def told(state: TakeState, done: Recorded) -> None:
        print(f"judged\t{state.id}\t{int(done.verdict.keep)}", flush=True)

    sound = SimulatedSound(speed=40.0, seed=seed)
    record(series, sound=sound, before=before, tell=tell, told=told, budget_file=folder.with_name("exposure.json"))  # type: ignore[arg-type]
    print("all", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
