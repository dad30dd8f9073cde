"""Edge aggregator for gas metering: many radio nodes in, one virtual Modbus device out."""

__version__ = "0.1.0"
