"""Days and times on English pages."""

DATE_FORMAT = "j F Y"
DATETIME_FORMAT = "j F Y, H:i"
TIME_FORMAT = "H:i"
YEAR_MONTH_FORMAT = "F Y"
