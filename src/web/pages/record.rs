//! The page "Record": how the interface is connected, then the sitting step by step as the recorder has it.

use super::layout::{field, select, terminal};
use crate::capture::record::damage::Damage;
use crate::capture::record::doc::{MeterView, PassRecord, View};
use crate::capture::record::left_over;
use crate::capture::record::patch::{PatchRequest, patch};
use crate::capture::record::press::Offer;
use crate::capture::record::sitting::SILENCE_S;
use crate::capture::runsheet::{TAKES, is_recorded, last};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::ids::MicName;
use crate::report::text::count;
use crate::testing::desk::records;
use crate::testing::sounding::{DevicesDoc, devices};
use crate::web::App;
use crate::web::drafts::Typed;
use crate::web::recording::{Now, Place};
use maud::{Markup, html};
use std::path::Path;

/// The form's name among what was typed and refused.
pub(in crate::web) const FORM: &str = "record";
/// The value of a button that leaves.
pub(in crate::web) const LEAVE: &str = "leave";

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    Ok(match app.recording.place() {
        Place::Nothing => closed(folder, app)?,
        Place::Opening => html! {
            (here_only())
            section.part data-record="/record/live" data-step="opening" {
                p role="status" { "Session and device are being opened; nothing sounds." }
            }
            noscript { p { a href="/record" { "See how far it is" } } }
            script type="module" src="/assets/record.js" {}
        },
        Place::Open(now) => html! {
            (here_only())
            p #say .unseen aria-live="assertive" {}
            p #lost .warning role="alert" hidden { "The desk does not answer any more. What sounds is stopped within a few seconds; if you can, switch the amplifier to standby." }
            section.part data-record="/record/live" data-step=(now.step) #step { (step(&now)) }
            noscript { p { a href="/record" { "See how far it is" } } }
            script type="module" src="/assets/record.js" {}
        },
    })
}

/// Where the sound comes from.
fn here_only() -> Markup {
    let text = "Sound is played and recorded by the computer on which the desk runs, through its interface: not by a phone or another \
                computer that shows this page.";
    html! { p.soft { (text) } }
}

/// Before a sitting: what it needs, and how the interface is connected.
fn closed(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let records::Records { rig, takes, .. } = records::read(folder)?;
    if rig.setups.len() < 2 {
        return Ok(html! { p { "There are fewer than two setups. " a href="/" { "Describe the rig first" } "." } });
    }
    let sheet = last(folder, 1)?;
    let di = takes.iter().find(|t| t.setup.is_none());
    let patched = patch(&rig, &PatchRequest::default())?;
    let recorded: Vec<MicName> = patched.mics.into_iter().map(|(_, mic)| mic).collect();
    let kept = patched.kept;
    let text = |n: Option<u16>| n.map(|n| n.to_string()).unwrap_or_default();
    let mut fields = Typed::from([
        ("output".to_owned(), kept.output.clone().unwrap_or_default()),
        ("input".to_owned(), kept.input.clone().filter(|i| Some(i) != kept.output.as_ref()).unwrap_or_default()),
        ("reamp_output".to_owned(), text(kept.reamp_output)),
        ("loop_back".to_owned(), text(kept.loop_back)),
        ("bits".to_owned(), text(kept.bits)),
        ("buffer".to_owned(), kept.buffer_frames.map(|n| n.to_string()).unwrap_or_default()),
    ]);
    let mics: Vec<String> = rig.mic_names().iter().map(ToString::to_string).collect();
    fields.extend(kept.mics.iter().map(|(mic, input)| (format!("input-{mic}"), input.to_string())));
    // What was refused is shown as it was typed: empty fields are not in it.
    let fields = app.drafts.of(FORM).unwrap_or(fields);
    let (left, all) =
        sheet.as_ref().map_or((0, 0), |s| (s.order.iter().filter(|p| !is_recorded(p, &recorded, &takes)).count(), s.order.len()));
    let over = left_over(folder);
    Ok(html! {
        p { "The DI is played through the reamp box, and every mic is recorded for each pass of the run sheet. Each pass is looked at before the next: it is kept, or asked for again with the reason. Nothing sounds before you press the button for it." }
        (here_only())
        @if let Some(sheet) = &sheet {
            @for gate in &sheet.gate { (super::sheet::at_the_gate(gate)) }
            p { strong { (left) " of " (count(all, "pass", "passes")) } " of the run sheet " (if left == 1 { "is" } else { "are" }) " still to be recorded. " a href="/runsheet" { "The run sheet" } }
            @if left == 0 { p { a.button.main href="/takes" { "Go on to the check" } } }
        }
        @match di {
            Some(di) => p { "DI: " (di.original_name) ", " (format!("{:.1} s at {}", di.frames as f64 / di.rate.as_f64(), di.rate)) ". The interface has to run at that rate." },
            None => p.warning role="note" { "There is no DI yet: " a href="/runsheet" { "take it in with the takes" } ". (The simulated rig invents one.)" },
        }
        @if !over.is_empty() { p { "Left over from before: " } ul { @for line in &over { li { (line) } } } }
        (form(&fields, &mics, sheet.is_none()))
        (terminal(&[("The same, by keys:", format!("cabjury record {}", quoted(folder))), ("Devices:", "cabjury devices".to_owned())]))
    })
}

/// Names of devices to choose from; one that is kept but not there now is among them.
fn choices(first: &str, names: &[String], kept: &str) -> Vec<(String, String)> {
    let mut out = vec![(String::new(), first.to_owned())];
    out.extend(names.iter().map(|n| (n.clone(), n.clone())));
    if !kept.is_empty() && !names.iter().any(|n| n == kept) {
        out.push((kept.to_owned(), format!("{kept} (not there now)")));
    }
    out
}

fn form(typed: &Typed, mics: &[String], takes: bool) -> Markup {
    let value = |key: &str| typed.get(key).map_or("", String::as_str);
    let DevicesDoc { devices: mut outputs, mut inputs } = devices();
    outputs.retain(|name| name != "silent");
    inputs.retain(|name| name != "simulated");
    let simulated = "simulated".to_owned();
    let mut played = choices("the system\u{2019}s own", &outputs, value("output").trim_start_matches("simulated"));
    played.push((simulated, "simulated: a rig made of numbers, to try it".to_owned()));
    let chosen = if value("output").starts_with("simulated") { "simulated" } else { value("output") };
    html! {
        form method="post" action="/record/open" {
            section.part {
                h2 { "How the interface is connected" }
                div.grid {
                    (select("output", "Plays the DI", &played, chosen))
                    (select("input", "Records the mics", &choices("the same device", &inputs, value("input").trim_start_matches("simulated")), value("input")))
                    (number("reamp_output", "Output to the reamp box", value("reamp_output"), "1 unless said"))
                    (number("loop_back", "Input with the output looped back", value("loop_back"), "empty: none"))
                }
                h3 { "Inputs of the mics" }
                div.grid { @for mic in mics { (number(&format!("input-{mic}"), mic, value(&format!("input-{mic}")), "empty: not recorded")) } }
                @if takes { (number("takes", "Takes of each setup", typed.get("takes").unwrap_or(&TAKES.to_string()), &format!("{TAKES} or more are advised; the order is drawn now, once"))) }
                details {
                    summary { "More" }
                    div.grid {
                        (field("count_in", "Silence in front of the DI, in s", value("count_in"), &format!("{SILENCE_S} unless said")))
                        (field("tail", "Silence behind it, in s", value("tail"), &format!("{SILENCE_S} unless said")))
                        (field("warm_up", "Wait after the first power-on, in s", value("warm_up"), "120 unless said; a quarter of it later"))
                        (number("buffer", "Frames of the device\u{2019}s buffer", value("buffer"), "empty: the device\u{2019}s own choice"))
                        (select("bits", "Kept as", &[("24".to_owned(), "24 bits".to_owned()), ("32".to_owned(), "32-bit float".to_owned())], if value("bits") == "32" { "32" } else { "24" }))
                        (number("seed", "Seed of the simulated rig", value("seed"), "the same seed and order give the same takes"))
                        (field("damage", "What the simulated rig does wrong", value("damage"), &format!("for practice, as in 2=gain: {}", Damage::names())))
                    }
                    label.check { input type="checkbox" name="burst" value="1" checked[typed.contains_key("burst")]; " Half a second of noise in front of the DI, to compare passes by" }
                }
                p { button.main type="submit" { "Open the device" } " " span.hint { "nothing sounds yet" } }
            }
        }
    }
}

fn number(name: &str, label: &str, value: &str, hint: &str) -> Markup {
    html! {
        div.field {
            label for=(name) { (label) }
            input id=(name) name=(name) value=(value) inputmode="numeric" size="5";
            @if !hint.is_empty() { span.hint { (hint) } }
        }
    }
}

/// The step at hand. The script asks for it anew when it is another one, and writes into it what only changes.
pub(in crate::web) fn step(now: &Now) -> Markup {
    let view = &now.view;
    html! {
        h2 #step-title tabindex="-1" { (view.title) @if now.left > 0 { span.soft { " \u{2013} " (count(now.left, "pass is", "passes are")) " left" } } }
        div #said .said[!now.said.is_empty()] { @for line in &now.said { p { (line) } } }
        div #large .large.stop[matches!(view.stage, "judged" | "void")] { @for line in &view.large { p { (line) } } }
        @if view.progress.is_some() { (progress(view)) }
        @if !view.meters.is_empty() { (meters(&view.meters)) }
        div #body { @for line in &view.body { p { (line) } } }
        p #refused .warning role="alert" hidden {}
        (presses(now))
        @if !now.passes.is_empty() { (passes(&now.passes)) }
    }
}

fn progress(view: &View) -> Markup {
    let (done, total) = view.progress.unwrap_or_default();
    html! { p { progress #pass-bar max=(total) value=(done) aria-label="The pass" {} " " span #pass-time { (format!("{done:.1} of {total:.1} s")) } } }
}

fn meters(meters: &[MeterView]) -> Markup {
    let db = |v: Option<f64>| v.map_or_else(|| "\u{2013}".to_owned(), |v| format!("{v:.1}"));
    html! {
        table #meters {
            thead { tr { th scope="col" { "Mic" } th scope="col" { "Level" } th scope="col" { "Peak, dBFS" } th scope="col" { "Clipped" } th scope="col" { "What to do" } } }
            tbody { @for m in meters {
                tr data-mic=(m.mic) {
                    th scope="row" { (m.mic) }
                    td { meter.level min="-60" max="0" value=(m.peak_db.unwrap_or(-60.0)) aria-label={ "Level of " (m.mic) } {} }
                    td.num.hold { (db(m.hold_db)) }
                    td.num.clips { (m.clips) }
                    td.advice { (m.advice) }
                }
            } }
        }
    }
}

/// A button for everything that can be done; Enter is the first of them.
fn presses(now: &Now) -> Markup {
    let view = &now.view;
    html! {
        form #press method="post" action="/record/press" {
            input type="hidden" name="step" value=(now.step);
            @if view.typed {
                input type="hidden" name="reads" value="1";
                div.field {
                    label for="ohm" { "What the ohmmeter reads, in ohm, or OL" }
                    input #ohm name="ohm" inputmode="decimal" autocomplete="off" size="8";
                }
            }
            // Where nothing goes on any more, leaving does.
            @let over = view.stage == "done";
            p.row { @for offer in &view.offers { (button(offer, offer.key == "Enter" || (offer.leaves && over))) } }
        }
    }
}

fn button(offer: &Offer, main: bool) -> Markup {
    let value = if offer.leaves { LEAVE } else { offer.key };
    let label = if offer.leaves { "leave the recording" } else { offer.label };
    let mut letters = label.chars();
    let label: String = letters.next().map(|c| c.to_uppercase().collect::<String>()).unwrap_or_default() + letters.as_str();
    html! { button type="submit" name="press" value=(value) .main[main] .stop[value == "Esc"] { (label) } }
}

/// What was played, the last first.
fn passes(passes: &[PassRecord]) -> Markup {
    html! {
        h3 { "Played so far" }
        ul.played { @for pass in passes.iter().rev() {
            li {
                p { strong { "Pass " (pass.pass) ": " (pass.setup) @if pass.attempt > 1 { ", attempt " (pass.attempt) } } " \u{2013} " (word(pass)) }
                @for reason in &pass.reasons { p.soft { "Why: " (reason) } }
                @for warning in &pass.warnings { p.soft { "Mind: " (warning) } }
                @for mic in &pass.mics { p.soft { (mic.line()) } }
            }
        } }
    }
}

fn word(pass: &PassRecord) -> String {
    let takes = pass.takes.join(" and ");
    match pass.outcome {
        "kept" => format!("kept as {takes}"),
        "again" if takes.is_empty() => "again; it could not be a take".to_owned(),
        "again" => format!("again; {takes} withdrawn"),
        "void" => "void".to_owned(),
        _ => "not stored: the session has it already".to_owned(),
    }
}
