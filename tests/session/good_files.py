"""One good file of each kind, with most keys in it, that the tests then spoil."""

from __future__ import annotations

SESSION = r"""format = "benchrig/session/1"
name = "hive-scale"
description = "Winter currents of the beehive scale"
order = ["idle", "weigh", "lamp", "light_sleep", "deep_sleep", "idle"]

[board]
name = "hive scale (invented)"
supply_voltage = "3.0 V"
minimum_voltage = "2.2 V"
highest_current = "25 mA"
decoupling = "47 uF"
boot_time = "1 s"

[protocol]
send_ending = "LF"
receive_ending = "CRLF"
banner = '^hive scale boot'
reject = '^error'
hello = { send = "hello", expect = '^hive ready$' }

[protocol.identity]
send = "id"
expect = '^fw=(?P<firmware>\S+)$'

[settling]
guard = "1.5 s"
slowest_time_constant = "2 s"
tolerance = "1 %"
time_limit = "60 s"

[[states]]
name = "idle"
enter = [{ send = "stop", expect = '^ok idle$' }]
limit = { min = "0.9 mA", max = "1.5 mA", typical = "1.2 mA" }

[[states]]
name = "weigh"
enter = [{ send_hex = "A5 01", expect = '^ok weigh$' }]
limit.max = "8 mA"
limit.typical = "6.5 mA"

[[states]]
name = "lamp"
enter = [
    # it takes two commands
    { send = "lamp on" },
    { send = "lamp?", expect_hex = "A5 ?? 01" },
]
[states.limit]
max = "11 mA"

[[states]]
name = "light_sleep"
limit = { max = "32 uA", typical = "25.5 uA" }
ticks = { period = "1 s", duration = "500 us", peak_current = "1 mA" }
settling = { time_limit = "90 s", tolerance = "3 %" }
wake = { by = "byte", send_hex = "55", within = "300 ms" }

[[states]]
name = "deep_sleep"
enter = [{ send = "sleep deep", expect = '^ok sleep deep$', timeout = "200 ms" }]
limit = { max = "0.9 uA", typical = "0.6 uA" }
must_not_wake = [
    { by = "byte", send = "x" },
    { by = "dtr" },
]
[states.wake]
by = "break"
pulse = "20 ms"
within = "1.4 s"
reboots = true

[subsets]
sleeps = [
    "light_sleep",  # the clock runs
    "deep_sleep",
]

[[differences]]
name = "lamp_alone"
of = ["lamp", "idle"]
limit = { min = "7 mA", max = "9 mA" }

[[ratios]]
name = "idle_to_deep_sleep"
of = ["idle", "deep_sleep"]
limit = { min = 1000 }
"""

BENCH = """format = "benchrig/bench/1"
name = "bench-3"

[board]
port = "/dev/ttyUSB0"
baud_rate = 115200
data_bits = 8
parity = "even"
stop_bits = 1.5
flow_control = "none"
exclusive = true
dtr = false
parking = { tx = "low", rts = true }

[meter]
address = "TCPIP::192.0.2.7::5025::SOCKET"
backend = "@py"
read_termination = "CRLF"
timeout = "3 s"
sheet = "sheets/meter.toml"
zeros = "zeros.json"
nplc = 0.2
line_frequency = "60 Hz"

[supply]
address = "ASRL/dev/ttyUSB1::INSTR"
current_limit = "100 mA"
highest_voltage = "3.6 V"
at_end = "unchanged"
settling = "300 ms"
"""

SHEET = """format = "benchrig/meter-sheet/1"
name = "a meter (invented values)"
accuracy_is = "expanded"
fastest_nplc = 0.02
settling = "20 ms"
range_change_interrupts = true
interruption = "2 ms"

[[ranges]]
full_scale = "10 uA"
measures_to = "12 uA"
shunt = "1 kohm"
gain_accuracy = "0.05 %"
offset_accuracy = "0.025 %"
noise = "60 pA"
settling = "60 ms"
resolution = [
    { nplc = 1, count = "30 pA" },
    { nplc = 0.02, count = "1 nA" },
    { nplc = 10, count = "10 pA" },
]

[[ranges]]
full_scale = "100 uA"
burden_voltage = "20 mV"
gain_accuracy = "0.05 %"
offset_accuracy = "0.02 %"
resolution = [{ nplc = 1, count = "300 pA" }]
"""
