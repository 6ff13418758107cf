//! Findings as the one JSON object, in SI units. Its keys are always there: a figure that is
//! absent has a null value and a reason.

use crate::exit::{Failure, STORE};
use crate::worth::good_for;
use hw_sim::Truth;
use movement::analysis::{Figure, Findings};
use records::RunHead;
use serde_json::{Value, json};

/// Findings as they go into the store.
///
/// # Errors
/// When a figure can't be written as JSON.
pub fn stored(findings: &Findings) -> Result<Value, Failure> {
    serde_json::to_value(findings)
        .map_err(|error| Failure::new(STORE, format!("the result can't be kept: {error}")))
}

/// The one JSON object, without the truth.
pub fn result(head: &RunHead, findings: &Findings, record: Option<&str>) -> Value {
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
        "label": head.label,
        "rig": head.rig_name,
        "seed": head.seed,
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
        "good_for": good_for(findings),
        "warnings": findings.warnings,
        "record": record,
    })
}

/// The same object for a run that never began.
pub fn nothing(label: Option<&str>, failure: &Failure) -> Value {
    let absent = |unit| figure(&Err("not measured".to_owned()), unit);
    let mut object = json!({
        "label": label,
        "kind": null,
        "kinds": [],
        "full_scale_current": absent("A"),
        "resistance": absent("Ω"),
        "resistance_by": {
            "drop": absent("Ω"),
            "half_shunt": absent("Ω"),
            "half_shunt_uncorrected": absent("Ω"),
        },
        "drop_at_full_scale": absent("V"),
        "coil_power": absent("W"),
        "warnings": [],
        "record": null,
    });
    failed(&mut object, failure);
    object
}

/// Says in the object why there is no result.
pub fn failed(object: &mut Value, failure: &Failure) {
    object["error"] = json!(failure.text);
    object["exit"] = json!(failure.code);
}

/// Adds the truth of a simulated run.
pub fn with_truth(object: &mut Value, truth: &Truth) {
    object["truth"] = json!({
        "full_scale_current": truth.full_scale_current,
        "resistance": truth.resistance,
        "peak_deflection": truth.peak_deflection,
        "stop_hits": truth.stop_hits,
        "driven_stop_hits": truth.driven_stop_hits,
        "safe": truth.safe,
    });
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
