"""What `scripts/bench` measures, a module for each part; ``table`` says how."""
