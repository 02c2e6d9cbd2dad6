"""The nightly backup's keys."""

from pydantic import Field

from farmwatch.settings_fields import Count, Part


class NightlyEntry(Part):
    """A backup of the databases every night, looked over by opening it. The newest are kept, by number."""

    keep: Count = Field(default=7, ge=0, le=366, description="So many nights are kept; 0: no nightly backup.")
    folder: str = Field(
        default="",
        description='Where they go, best on another disk; "": `backups` in the folder of the databases.',
    )
    hour: Count = Field(default=3, ge=0, le=23, description="From this hour of the local day on.")
    history_days: Count = Field(
        default=7, ge=0, le=366, description="The history is large: it is in one backup of so many nights; 0: in none."
    )
