//! A rig file to complete: what was found, and what only the person knows. Figures are left open:
//! none stands in for one that must be measured or read from a data sheet.

use guard::Fit;
use std::fmt::Write;

/// An instrument that answered.
pub struct Place<'a> {
    pub resource: &'a str,
    pub identity: &'a str,
    pub fits: &'a [Fit],
}

const HEAD: &str = "\
# A rig file to complete. Each FILL IN is a figure from a data sheet, a print on a part or a
# measurement; the file is refused until all are there. rigs/simulated.toml is a whole example with
# every entry explained. Then: needlerig rig check FILE, and needlerig rig check FILE --measure.

name = \"FILL IN\"
";

const SUPPLY: &str = "\
max_voltage = \"FILL IN\"        # the most that it can be set to
max_current = \"FILL IN\"
resolution = \"FILL IN\"         # smallest step of the voltage
current_resolution = \"FILL IN\"
accuracy = \"FILL IN\"           # of the set-point, such as \"0.05 %\"
offset = \"FILL IN\"             # and this much more
overshoot = \"FILL IN\"          # of an upward step
settle = \"FILL IN\"
";

const METER: &str = "\
mains = \"FILL IN\"              # \"20 ms\" where the mains have 50 Hz
input = \"FILL IN\"              # input resistance in the ranges below
ranges = [
  { upper = \"FILL IN\", gain = \"FILL IN\", offset = \"FILL IN\" },
]
";

const SWITCH: &str = "\
operate = \"FILL IN\"            # longest time to operate or release
bounce = \"FILL IN\"
contact = \"FILL IN\"            # one closed contact at most
dry_circuit = \"FILL IN\"        # the least current that the contacts are rated for
leakage = \"FILL IN\"            # around an open movement
# FILL IN the channels of source contact, short and movement switch:
# source = 1
# short = 2
# movement = 3
";

const REST: &str = "\
[[path]]                       # one table for each, from light to heavy
name = \"FILL IN\"
fixed = \"FILL IN\"              # the resistor that no relay can short
tolerance = \"FILL IN\"
power = \"FILL IN\"
# channel = FILL IN

[series]
elements = [                   # FILL IN { ohms = …, tolerance = …, power = …, channel = … }
]

[sense]
elements = [                   # FILL IN, as in [series]
]

[reader]
kind = \"wire\"
resource = \"FILL IN\"           # TCPIP::<host>::<port>::SOCKET of who reads the needle

[limits]
first_touch = \"FILL IN\"        # the most current without any evidence, such as \"1 uA\"
growth = \"FILL IN\"             # per observed second, such as \"50 %\"
ceiling = \"FILL IN\"            # of scale, such as \"102 %\"
earn = \"FILL IN\"               # such as \"5 %\"
drop = \"FILL IN\"               # highest across the movement
power = \"FILL IN\"              # highest in the movement
near_full_scale = \"FILL IN\"
slowest_period = \"FILL IN\"
thermal_emf = \"FILL IN\"        # of the drop connection

[protection]                   # true for what is fitted
emergency_stop = false
coil_dead_man = false
# trip = \"FILL IN\"            # where one is fitted: across the sense element; above it, it lets go
";

/// The file, with each place in the role that it can play.
pub fn skeleton(places: &[Place<'_>]) -> String {
    let of = |role: &str| -> Vec<&Place<'_>> {
        let plays = |p: &&Place<'_>| p.fits.iter().any(|fit| fit.role == role);
        places.iter().filter(plays).collect()
    };
    let (supplies, meters, switches) = (of("supply"), of("meter"), of("switch"));
    let mut text = HEAD.to_owned();
    table(&mut text, "supply", "supply", &supplies, 0);
    text += SUPPLY;
    table(&mut text, "meters.drop", "meter", &meters, 0);
    text += METER;
    table(&mut text, "meters.loop", "meter", &meters, 1);
    text += METER;
    table(&mut text, "switch", "switch", &switches, 0);
    text += SWITCH;
    text.push('\n');
    text += REST;
    text
}

/// The head of a role's table: one place named, all others that could play it in comments. SCPI
/// instruments of all kinds answer alike, so only the person knows which is which.
fn table(text: &mut String, name: &str, role: &str, places: &[&Place<'_>], pick: usize) {
    let _ = writeln!(text, "\n[{name}]");
    for place in places {
        let _ = writeln!(
            text,
            "# could be {}: {}",
            place.resource,
            one_line(place.identity)
        );
    }
    let chosen = (places.len() == 1 || (role == "meter" && places.len() == 2))
        .then(|| places.get(pick))
        .flatten();
    let fit = chosen.and_then(|place| Some((place, place.fits.iter().find(|f| f.role == role)?)));
    match fit {
        Some((place, fit)) => {
            let _ = writeln!(text, "resource = \"{}\"", place.resource);
            let _ = writeln!(text, "dialect = \"{}\"", fit.dialect);
            if place.resource.starts_with("ASRL") {
                let _ = writeln!(text, "serial = {{ baud = {} }}", fit.baud);
            }
        }
        None => text.push_str("resource = \"FILL IN\"\ndialect = \"FILL IN\"\n"),
    }
}

/// An identity may hold anything; in a comment it must not end the line.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}
