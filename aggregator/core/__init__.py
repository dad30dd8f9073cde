"""The silent middle: readings, map, image and Modbus rules. No sockets, files, loggers or clocks."""
