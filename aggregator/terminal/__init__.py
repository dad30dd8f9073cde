"""What people see on a terminal: tables of registers, of polled values and of a running site.

On a terminal tables fit its width and can be live; in a pipe or a file they are plain text as wide as they need.
"""
