"""Flows: how one kind of repair is closed out, read, proven and run."""
