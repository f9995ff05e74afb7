"""An invented world: loudspeakers simulated from physics, recorded like real ones. Shares no code with reduce."""
