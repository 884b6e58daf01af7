"""What `tests/boards/run` is made of: chips, commands, images, examples in C, the job, the table of costs."""
