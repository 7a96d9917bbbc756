"""The commands, one thin file each: parse, call the public API, print."""
