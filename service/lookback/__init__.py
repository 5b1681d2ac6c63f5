"""What an enclosure lived through over a span: days assessed, misting judged, alarms, gaps and facts, on one page."""
