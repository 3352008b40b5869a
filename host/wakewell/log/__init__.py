"""Field logs: reading, mail repair, times and series of wakes, files in force, parcels."""
