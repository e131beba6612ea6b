"""The on-screen knob, in a notebook or a page of its own."""
