"""What every table of the job file keeps to."""

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """A TOML table that refuses keys it does not know and types it would have to guess."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)
