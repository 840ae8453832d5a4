"""Days and times on German pages."""

DATE_FORMAT = "j. F Y"
DATETIME_FORMAT = "j. F Y, H:i"
TIME_FORMAT = "H:i"
YEAR_MONTH_FORMAT = "F Y"
