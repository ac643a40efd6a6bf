"""One file per command, each thin: parse, call one function, show what came back."""
