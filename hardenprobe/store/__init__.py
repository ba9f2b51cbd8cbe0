"""Where reviews and scans in progress are kept, by SQLAlchemy, each review chained to the one before by digest."""
