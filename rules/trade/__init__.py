"""What the trade knows, as reviewed tables with their sources: practice, routine, signs, cautions, kinds of alarms."""
