"""An invented loudspeaker at response level, shared by the scripts beside this one."""

from earwitness.demo.catalogue import catalogue, simulate


def measurements(count: int):
    """The first loudspeakers of the demo's catalogue, as if they had been measured."""
    return [simulate(one) for one in catalogue(count)]
