"""Notes that can be tested: remarks sealed before the data are shown, then held against them."""
