"""Twelve trials of a difference, ten right: heard or guessed?"""

import earwitness as ew

result = ew.counted(10, 12)
print(f"by guessing alone as many or more with probability {result.p_value:.3f}: shown to be heard {result.is_shown}")
