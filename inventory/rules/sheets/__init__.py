"""Spreadsheets as people keep them, read into row plans. Nothing here touches a database or a clock.

reading: bytes to a table. dates, cells: one cell to one fact. headers: which column is which.
stock: a table to planned stock rows. The run log has its own planner in recovery.rules.sheets.
"""
