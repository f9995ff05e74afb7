"""How many points a near-field scan of a cabinet takes, and what it will tell."""

import earwitness as ew

plan = ew.plan_scan((0.21, 0.36, 0.30), 2000.0, time_per_point_s=4.0)
print(f"{len(plan.points_m)} points in {plan.duration_s / 3600:.1f} h, separable up to {plan.separable_hz:.0f} Hz")
for hz, error_db in plan.expected_error_db:
    print(f"{hz:.0f} Hz: within {error_db:.2f} dB")
