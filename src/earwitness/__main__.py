"""python -m earwitness."""

from earwitness.cli import main

main(prog_name="earwitness")
