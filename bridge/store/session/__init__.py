"""Session files: `model` is the value, `reading` and `parts` read it, `new` writes a first one."""
