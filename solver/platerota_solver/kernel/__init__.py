"""The compiled core: choices in, schedule out; see `decode`."""
