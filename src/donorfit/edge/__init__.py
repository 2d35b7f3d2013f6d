"""The world: the only place with sockets, files and clocks."""
