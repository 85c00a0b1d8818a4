"""A small sound trial, as texts of its files, for tests to bend out of shape."""

TOML = """\
code = "quay"
title = "Two ways of colouring"
question = "Does dye dry slower than pearl?"
seed = 7

[factors.colour]
levels = ["pearl", "dye"]
control = "pearl"

[factors.binder_g]
amounts = [0.6, 1.2]
unit = "g"
"""

RUNS = """\
run,day,made_at,colour,binder_g,note
A,1,2026-01-05T09:00,pearl,0.6,
B,1,2026-01-05T10:00,dye,1.2,"a wet, grey day"
C,2,2026-01-06T09:00,pearl,1.2,
D,2,2026-01-06T10:00,dye,0.6,
"""

TOUCH = """\
run,piece,hours,dry,note
A,1,2,no,
A,1,4,yes,
B,1,2,no,
B,1,6,yes,
C,1,3,no,
C,1,5,yes,
D,1,3,no,
D,1,8,no,
"""

LOG = "time,temp_c,rh_pct\n" + "".join(
    f"2026-01-{day:02d}T{hour:02d}:{minute:02d},{14 + hour / 12:.1f},{70 - hour / 4:.1f}\n"
    for day in (5, 6)
    for hour in range(24)
    for minute in (0, 30)
)
