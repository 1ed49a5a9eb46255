"""Jobs that nobody printed."""

import random


def long_job(seed: int, relative: bool = False, inches: bool = False) -> str:
    """Ways with travel, retractions and G92 between them, in the form that files have."""
    chance = random.Random(seed)
    rows = ["; made for a test", "G90", "G20" if inches else "G21", "M83" if relative else "M82", "G92 E0"]
    e = 0.0

    def feed(step: float) -> str:
        nonlocal e
        e += step
        return f"E{step if relative else e:.5f}"

    for layer in range(20):
        rows.append(f"G1 Z{0.2 * (layer + 1):.3f} F600 ; layer")
        for _ in range(30):
            rows.append(f"G1 {feed(-0.8)} F2400")
            rows.append(f"G0 X{chance.uniform(0, 200):.3f} Y{chance.uniform(0, 200):.3f} F9000")
            rows.append(f"G1 {feed(0.8)} F2400")
            for _ in range(chance.randint(1, 30)):
                x, y = chance.uniform(0, 200), chance.uniform(0, 200)
                rows.append(f"G1 X{x:.3f} Y{y:.3f} {feed(chance.uniform(0, 2))} F1800")
            if chance.random() < 0.2:
                rows.append("G92 E0")
                e = 0.0
    return "\n".join(rows) + "\n"
