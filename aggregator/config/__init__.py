"""A site's files: read, checked all at once, and put together into what the core runs (`configuration.load`)."""
