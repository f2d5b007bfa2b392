"""Whatever bytes arrive: no parser crashes, and none makes a value of garbage. ``scripts/abuse`` is the long form."""
