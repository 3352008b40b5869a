"""Pots in other people's homes: what they tell by radio, and what is asked of them.

private   the secrets of a pot
broker    one connection to an MQTT broker, with what private.toml says
letters   what goes over the air, as the host reads and makes it
homes     which of a pot's homes a line was heard in
store     what was heard, in SQLite or PostgreSQL
tables    its tables; readings: a wake as a row; migrate, migrations: databases of an older form
files     the log files made of it, laid by place
plain     newest numbers left at the broker, not sealed; metrics: the same over HTTP
sharing   several listeners on one PostgreSQL, each with its part of the pots
rounds    every pot in a row, from folders, logs and database
listen    the command that hears
shown     pages kept up to date while it hears
posted    where reports are posted to; room: its callers; request: what one says first
ask       the command that asks for other settings
newkey    another key for a pot, agreed on over the air
beats     signs of life of the listener
copies    database and folders copied and restored; unit: a systemd unit of a command
causes    why somebody is reminded; when, and how often
remind    the command that reminds
"""
