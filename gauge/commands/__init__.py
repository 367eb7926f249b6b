"""One module per command: parse, call, render. The work itself is done elsewhere."""
