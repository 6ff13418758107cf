//! Findings as a technician would copy them into a notebook.

mod sheet;

use crate::figure::style;
use crate::worth::good_for;
use movement::analysis::{Figure, Findings, FullScale, Kind};
use quantity::{Uncertain, engineering};
use records::RunHead;
pub use sheet::Sheet;

/// Probability from which a second kind is worth a line.
const WORTH: f64 = 0.02;

/// The result in one line.
pub fn headline(findings: &Findings) -> String {
    let short = |figure: &Figure, unit| match figure {
        Ok(value) => style(value).with_unit(value.value(), unit),
        Err(_) => "–".to_owned(),
    };
    let (current, ohms) = (
        short(&findings.full_scale, "A"),
        short(&findings.resistance, "Ω"),
    );
    format!("{}, {current}, {ohms}", findings.kind().words())
}

/// The whole page.
pub fn page(head: &RunHead, findings: &Findings, record: Option<&str>) -> String {
    let mut sheet = Sheet::titled(if head.label.is_empty() {
        "movement"
    } else {
        &head.label
    });
    conditions(&mut sheet, head);
    sheet.gap();
    kinds(&mut sheet, findings);
    sheet.gap();
    figures(&mut sheet, findings);
    sheet.gap();
    behaviour(&mut sheet, findings);
    sheet.gap();
    budgets(&mut sheet, findings);
    sheet.gap();
    for warning in &findings.warnings {
        sheet.row("mind", warning);
    }
    if let Some(job) = good_for(findings) {
        sheet.row("good for", &job);
    }
    if let Some(record) = record {
        sheet.row("kept as", record);
    }
    sheet.text()
}

fn conditions(sheet: &mut Sheet, head: &RunHead) {
    sheet.row("measured", &format!("{}, {}", head.started, head.rig_name));
    match head.ambient {
        Some((ambient, u)) => sheet.row(
            "ambient",
            &format!("{ambient:.1} °C, u {u:.1} K, as the rig file says"),
        ),
        None => sheet.row("ambient", "not known"),
    }
    if let Some(seed) = head.seed {
        sheet.row("simulated", &format!("--seed {seed} repeats this run"));
    }
    let absent = head
        .notes
        .iter()
        .filter_map(|note| note.strip_prefix("not fitted: "));
    let absent: Vec<&str> = absent.collect();
    if !absent.is_empty() {
        sheet.row("not fitted", &absent.join("; "));
    }
}

fn kinds(sheet: &mut Sheet, findings: &Findings) {
    let likely = findings.kinds.iter().take(2).enumerate();
    for (place, chance) in likely.filter(|(place, c)| *place == 0 || c.probability >= WORTH) {
        let percent = chance.probability * 100.0;
        sheet.row(
            if place == 0 { "kind" } else { "or" },
            &format!("{} ({percent:.0} %)", chance.kind.words()),
        );
        sheet.row("", &chance.evidence);
    }
}

fn figures(sheet: &mut Sheet, findings: &Findings) {
    figure(sheet, "full-scale current", &findings.full_scale, "A");
    if let Some(mark) = &findings.at_mark {
        sides(sheet, mark);
    }
    figure(sheet, "resistance by drop", &findings.by_drop, "Ω");
    figure(sheet, "  by half-shunt", &findings.by_half_shunt, "Ω");
    if let (Ok(plain), Ok(exact)) = (&findings.half_shunt_uncorrected, &findings.by_half_shunt) {
        let plain = style(exact).with_unit(*plain, "Ω");
        sheet.row(
            "",
            &format!("{plain} by half deflection without correction"),
        );
    }
    if let Some(e_n) = findings.agreement {
        let verdict = if e_n <= 1.0 { "agree" } else { "disagree" };
        sheet.row("", &format!("E_n {e_n:.2}: the two {verdict}"));
    }
    let drop = &findings.drop_at_full_scale;
    figure(sheet, "drop at full scale", drop, "V");
    figure(sheet, "power at full scale", &findings.power, "W");
    if let Ok(current) = &findings.full_scale {
        let per_volt = Ok(current.map1(|i| 1.0 / i, |i| -1.0 / (i * i)));
        figure(sheet, "ohms per volt", &per_volt, "Ω/V");
    }
}

/// One line: the value, u, and the 95 % interval, all with the value's prefix.
fn figure(sheet: &mut Sheet, name: &str, figure: &Figure, unit: &str) {
    let text = match figure {
        Ok(value) => {
            let (low, high) = value.interval95();
            let style = style(value);
            format!(
                "{:<14} u {:<9} 95 %: {} … {}",
                style.with_unit(value.value(), unit),
                style.number(value.u()),
                style.number(low),
                style.number(high)
            )
        }
        Err(reason) => format!("– {reason}"),
    };
    sheet.row(name, &text);
}

fn sides(sheet: &mut Sheet, mark: &FullScale) {
    let style = style(&mark.mean);
    let text = format!(
        "rising {}, falling {}",
        style.with_unit(mark.rising, "A"),
        style.with_unit(mark.falling, "A")
    );
    sheet.row("", &text);
}

fn behaviour(sheet: &mut Sheet, findings: &Findings) {
    if let Some(mark) = &findings.at_mark {
        let percent = mark.friction * 100.0;
        sheet.row("friction", &format!("within ±{percent:.2} % of scale"));
    }
    if let (Kind::SuppressedZero, Some(begins)) = (findings.kind(), findings.begins) {
        let percent = begins * 100.0;
        sheet.row(
            "scale law",
            &format!("straight, from {percent:.1} % of the full-scale current on"),
        );
    } else if let Some(exponent) = findings.exponent {
        let text = format!("deflection goes with the current to the power {exponent:.2}");
        sheet.row("scale law", &text);
    }
    let zero =
        |zero: Option<f64>| zero.map_or("–".to_owned(), |z| format!("{:+.2} %", z * 100.0));
    let (before, after) = findings.zero;
    let text = format!("{} before, {} after", zero(before), zero(after));
    sheet.row("zero", &text);
    if let Some(rise) = findings.self_heating.filter(|rise| rise.abs() >= 1e-4) {
        let text = format!("{:+.2} % of resistance at full scale", rise * 100.0);
        sheet.row("self-heating", &text);
    }
}

/// The largest rows of each budget.
fn budgets(sheet: &mut Sheet, findings: &Findings) {
    let main = [
        ("u of the current", &findings.full_scale, "A"),
        ("u of the resistance", &findings.resistance, "Ω"),
    ];
    for (name, figure, unit) in main {
        let Ok(figure) = figure else { continue };
        for (place, row) in largest(figure).iter().enumerate() {
            sheet.row(
                if place == 0 { name } else { "" },
                &format!(
                    "{:<10} {:>3.0} %  {}",
                    engineering(row.contribution.abs(), unit, 2),
                    row.share * 100.0,
                    row.source.label
                ),
            );
        }
    }
}

fn largest(figure: &Uncertain) -> Vec<quantity::BudgetRow> {
    let mut rows = figure.budget();
    rows.truncate(3);
    rows.retain(|row| row.share >= 0.005);
    rows
}
