"""What differs from head to head. Fill in every None of the first part from your wiring and the data sheets."""

# ---- To be filled in -------------------------------------------------------------------------------------------------

I2C_BUS = None  # number of the board's I2C bus
I2C_SCL = None  # its pins
I2C_SDA = None

ACCEL_ADDRESS = None  # the accelerometer's I2C address, 7 bits
ACCEL_SETUP = None  # ((register, value), ...): wake it, range 2 g, low-pass filter near 50 Hz, 200 readings a second or more
ACCEL_DATA = None  # first data register; where the data sheet wants a bit set for reading on through registers, with it
ACCEL_LENGTH = None  # bytes to read from there: 6 for three axes of 16 bits
ACCEL_PLACES = None  # where in them the two axes across the shaft begin: (0, 2) for x and y
ACCEL_WIDTH = None  # bytes of one axis: 2 or 3
ACCEL_HIGH_FIRST = None  # True if the high byte comes first
ACCEL_SHIFT = None  # bits to the right of the number that mean nothing: 4 for 12 bits at the left of 16

ELECTRODE_PLUS = None  # pin of the converter for the electrode away from the shaft
ELECTRODE_MINUS = None  # and for the one toward it

# ---- To be left as it is, unless you know better ---------------------------------------------------------------------

BATTERY = None  # converter pin at a divider across the battery; None: there is none
TEMPERATURE = None  # converter pin at an analogue thermometer; None: there is none

ADC_END = 65000  # from here on (of 65535) the converter or the amplifier before it is at its end

PERIOD_MS = 50  # one line in so many ms: whole periods of lamps that flicker 100 or 120 times a second
READINGS = 16  # readings added up for a line, evenly in that time

UART_BUS = None  # number of a UART for a radio module or an RS-485 driver; None: lines go out by USB
UART_BAUD = 115200

WATCHDOG_MS = 0  # 2000 once all works: the board starts again if it hangs. Once on, it cannot be stopped
