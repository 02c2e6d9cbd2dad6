"""Farmwatch: watches a bank of filament printers and tells the phone what needs a person.

words      what we talk about; imports nothing of ours
machines   pure: machine state, builds, finish times
power      pure: load tree, energy, backups, outages
shop       pure: rounds, stock, air, wear, yield
alarms     pure: condition, lifecycle, message
brain      pure: events in, effects out
wire       pure: bytes to readings (payload mapping, UPS protocol, recordings)
engine     wire and brain as one step; used alike by the daemon and by replay
sources, stores, notify, web   the adapters; daemon, assemble, cli put them to work
"""

__version__ = "0.1.0"
