"""From an aligned scan to measured features, results and verdicts. Numbers in, records out; blind to recipe files."""
