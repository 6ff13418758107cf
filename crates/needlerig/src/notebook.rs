//! Findings as a technician would copy them into a notebook, and as the one JSON object.

use crate::exit::{Failure, STORE};
use movement::analysis::{Figure, Findings, Kind};
use quantity::{Uncertain, engineering};
use records::RunHead;
use serde_json::{Value, json};
use std::fmt::Write;

/// Findings as they go into the store.
///
/// # Errors
/// When a figure can't be written as JSON.
pub fn stored(findings: &Findings) -> Result<Value, Failure> {
    serde_json::to_value(findings)
        .map_err(|error| Failure::new(STORE, format!("the result can't be kept: {error}")))
}

/// The one JSON object, without the truth.
pub fn json(label: &str, findings: &Findings, record: Option<&str>) -> Value {
    let kinds: Vec<Value> = findings
        .kinds
        .iter()
        .map(|c| json!({ "kind": c.kind, "probability": c.probability, "evidence": c.evidence }))
        .collect();
    let uncorrected = match &findings.half_shunt_uncorrected {
        Ok(ohms) => json!({ "value": ohms, "unit": "Ω" }),
        Err(reason) => json!({ "value": null, "unit": "Ω", "reason": reason }),
    };
    json!({
        "label": label,
        "kind": findings.kind(),
        "kinds": kinds,
        "full_scale_current": figure(&findings.full_scale, "A"),
        "resistance": figure(&findings.resistance, "Ω"),
        "resistance_by": {
            "drop": figure(&findings.by_drop, "Ω"),
            "half_shunt": figure(&findings.by_half_shunt, "Ω"),
            "half_shunt_uncorrected": uncorrected,
            "e_n": findings.agreement,
        },
        "drop_at_full_scale": figure(&findings.drop_at_full_scale, "V"),
        "coil_power": figure(&findings.power, "W"),
        "friction": findings.at_mark.as_ref().map(|m| m.friction),
        "exponent": findings.exponent,
        "zero": { "before": findings.zero.0, "after": findings.zero.1 },
        "warnings": findings.warnings,
        "record": record,
    })
}

fn figure(figure: &Figure, unit: &str) -> Value {
    match figure {
        Ok(value) => {
            let (low, high) = value.interval95();
            let dof = value.dof();
            json!({
                "value": value.value(), "unit": unit, "u": value.u(),
                "dof": if dof.is_finite() { json!(dof) } else { Value::Null },
                "low95": low, "high95": high,
            })
        }
        Err(reason) => json!({
            "value": null, "unit": unit, "u": null, "dof": null,
            "low95": null, "high95": null, "reason": reason,
        }),
    }
}

/// The result in one line.
pub fn headline(findings: &Findings) -> String {
    let short = |figure: &Figure, unit| match figure {
        Ok(value) => rounded(value, unit),
        Err(_) => "–".to_owned(),
    };
    let (current, ohms) = (
        short(&findings.full_scale, "A"),
        short(&findings.resistance, "Ω"),
    );
    format!("{}, {current}, {ohms}", findings.kind().words())
}

/// A value to the place of the second digit of its uncertainty, with its prefix.
fn rounded(value: &Uncertain, unit: &str) -> String {
    engineering(value.value(), unit, digits(value))
}

fn digits(value: &Uncertain) -> usize {
    let ratio = (value.value().abs() / value.u()).log10();
    if ratio.is_finite() {
        (ratio.floor() + 3.0).clamp(2.0, 9.0) as usize
    } else {
        6
    }
}

/// One line of the page: the value, u, and the 95 % interval.
fn line(page: &mut String, name: &str, value: &Figure, unit: &str) {
    let text = match value {
        Ok(value) => {
            let (low, high) = value.interval95();
            let digits = digits(value);
            format!(
                "{:<14} u {:<10} 95 %: {} … {}",
                rounded(value, unit),
                engineering(value.u(), unit, 2),
                engineering(low, unit, digits),
                engineering(high, unit, digits)
            )
        }
        Err(reason) => format!("–              {reason}"),
    };
    row(page, name, &text);
}

fn row(page: &mut String, name: &str, text: &str) {
    // Writing into a String cannot fail.
    let _ = writeln!(page, "  {name:<24} {text}");
}

/// The whole page.
pub fn page(head: &RunHead, findings: &Findings, record: Option<&str>) -> String {
    let mut page = String::new();
    let _ = writeln!(
        page,
        "{}\n",
        if head.label.is_empty() {
            "movement"
        } else {
            &head.label
        }
    );
    row(
        &mut page,
        "measured",
        &format!("{} on {}", head.started, head.rig_name),
    );
    if let Some((ambient, u)) = head.ambient {
        row(
            &mut page,
            "ambient",
            &format!("{ambient:.1} °C, u {u:.1} K (from the rig file)"),
        );
    }
    if let Some(seed) = head.seed {
        row(&mut page, "simulated", &format!("seed {seed}"));
    }
    page.push('\n');
    for (place, chance) in findings.kinds.iter().take(2).enumerate() {
        let name = if place == 0 { "kind" } else { "or" };
        let words = chance.kind.words();
        row(
            &mut page,
            name,
            &format!("{words} ({:.0} %)", chance.probability * 100.0),
        );
        row(&mut page, "", &chance.evidence);
    }
    page.push('\n');
    figures(&mut page, findings);
    if !findings.warnings.is_empty() {
        page.push('\n');
        for warning in &findings.warnings {
            row(&mut page, "mind", warning);
        }
    }
    if let Some(use_for) = good_for(findings) {
        page.push('\n');
        row(&mut page, "good for", &use_for);
    }
    if let Some(record) = record {
        row(&mut page, "kept as", record);
    }
    page
}

fn figures(page: &mut String, findings: &Findings) {
    line(page, "full-scale current", &findings.full_scale, "A");
    if let Some(at) = &findings.at_mark {
        let sides = format!(
            "rising {}, falling {}; friction ±{:.2} % of scale",
            engineering(at.rising, "A", 5),
            engineering(at.falling, "A", 5),
            at.friction * 100.0
        );
        row(page, "", &sides);
    }
    line(page, "resistance by drop", &findings.by_drop, "Ω");
    line(page, "by half-shunt", &findings.by_half_shunt, "Ω");
    if let Ok(ohms) = findings.half_shunt_uncorrected {
        row(
            page,
            "  uncorrected",
            &format!(
                "{:<14} what half deflection alone would say",
                engineering(ohms, "Ω", 5)
            ),
        );
    }
    if let Some(e_n) = findings.agreement {
        let verdict = if e_n <= 1.0 {
            "the two agree"
        } else {
            "the two disagree"
        };
        row(page, "  E_n", &format!("{e_n:<14.2} {verdict}"));
    }
    line(
        page,
        "drop at full scale",
        &findings.drop_at_full_scale,
        "V",
    );
    line(page, "power at full scale", &findings.power, "W");
    if let (Some(before), Some(after)) = findings.zero {
        row(
            page,
            "zero before, after",
            &format!("{:+.2} %, {:+.2} % of scale", before * 100.0, after * 100.0),
        );
    }
    if let Some(exponent) = findings.exponent {
        row(
            page,
            "scale law",
            &format!("current to the power {exponent:.2}"),
        );
    }
    let main = [
        ("full-scale current", &findings.full_scale),
        ("resistance", &findings.resistance),
    ];
    for (name, figure) in main {
        let Ok(figure) = figure else { continue };
        let rows: Vec<String> = figure
            .budget()
            .iter()
            .take(3)
            .map(|r| format!("{} {:.0} %", r.source.label, r.share * 100.0))
            .collect();
        row(page, &format!("u of {name}"), &rows.join(", "));
    }
}

/// What this movement is good for, in one sentence.
pub fn good_for(findings: &Findings) -> Option<String> {
    let (Ok(current), Ok(drop)) = (&findings.full_scale, &findings.drop_at_full_scale) else {
        return None;
    };
    let (amps, volts) = (current.value(), drop.value());
    let sticky = findings
        .at_mark
        .as_ref()
        .is_some_and(|m| m.friction > 0.005);
    let rough = if sticky {
        ", for rough indication only: it sticks"
    } else {
        ""
    };
    let shunts = format!(
        "with a shunt it reads larger currents at {} burden",
        engineering(volts, "V", 3)
    );
    Some(match findings.kind() {
        Kind::SquareLaw => format!("an ammeter of its own range with a cramped lower scale{rough}"),
        Kind::InternalShunt => {
            format!(
                "an ammeter of {} as it stands; {shunts}{rough}",
                engineering(amps, "A", 3)
            )
        }
        Kind::InternalMultiplier => {
            format!(
                "a voltmeter of {} as it stands{rough}",
                engineering(volts, "V", 3)
            )
        }
        _ if amps <= 1.2e-3 => format!(
            "a voltmeter of {} per volt with a multiplier; {shunts}{rough}",
            engineering(1.0 / amps, "Ω", 3)
        ),
        _ => format!(
            "currents: {shunts}; as a voltmeter it loads the circuit with {}{rough}",
            engineering(amps, "A", 2)
        ),
    })
}
