//! How quick the wiring side is, as ratios in one run: `cargo bench --bench circuit`.
//!
//! Peer: `ngspice -b` as a process on the same network and frequencies (left out with a note where ngspice is not installed).
#![expect(clippy::unwrap_used, clippy::print_stdout, reason = "a bench ends when something is wrong, and prints")]

mod kept;

use cabjury::circuit::drive::{Driven, Source, grid};
use cabjury::circuit::{meter, parse};
use cabjury::model::rig::Driver;
use cabjury::model::session::MeterValue;
use cabjury::rig::sheet::read_sheet;
use cabjury::units::Ohm;
use kept::kept;
use std::fmt::Write;
use std::hint::black_box;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// The least of so many runs: what the machine can do when nothing else disturbs it.
fn least(runs: usize, mut run: impl FnMut()) -> Duration {
    (0..runs)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed()
        })
        .min()
        .unwrap()
}

const WIRING: &str = "(A + B) || (C + D)";

/// Four invented drivers, two of each kind.
fn drivers() -> Vec<Driver> {
    let mut sheet = "[session]\ntitle = \"a bench, invented\"\n".to_owned();
    for (label, re, fs, qms, qes) in
        [("A", 6.5, 78.0, 7.5, 0.62), ("B", 6.9, 105.0, 11.0, 1.15), ("C", 6.5, 78.0, 7.5, 0.62), ("D", 6.9, 105.0, 11.0, 1.15)]
    {
        write!(
            sheet,
            "[[driver]]\nlabel = \"{label}\"\nnominal_ohm = 8\nre_ohm = {re}\nfs_hz = {fs:.1}\nqms = {qms:.2}\nqes = {qes:.2}\n\
             le_mh = 0.30\nl2_mh = 0.55\nr2_ohm = 9.0\nre_measured = true\n"
        )
        .unwrap();
    }
    read_sheet(&sheet).unwrap().drivers
}

/// The same network as a netlist: 20 Hz to 20 kHz, 40 points a decade, as the grid.
fn netlist(drivers: &[Driver]) -> String {
    let mut out = "a four-driver cab\n".to_owned();
    for (n, (d, (from, to))) in drivers.iter().zip([("1", "m"), ("m", "0"), ("1", "k"), ("k", "0")]).enumerate() {
        let model = cabjury::circuit::driver::Model::of(d, None).unwrap();
        let (l2, r2) = model.lossy.unwrap();
        writeln!(out, "Re{n} {from} a{n} {}\nLe{n} a{n} b{n} {}\nL2{n} b{n} c{n} {l2}\nR2{n} b{n} c{n} {r2}", model.re, model.le)
            .unwrap();
        writeln!(out, "Rm{n} c{n} {to} {}\nLm{n} c{n} {to} {}\nCm{n} c{n} {to} {}", model.res, model.lces, model.cmes).unwrap();
    }
    out + "V1 src 0 dc 0 ac 1\nRs src 1 8\n.ac dec 40 20 20000\n.print ac vdb(1) vdb(m) vdb(k)\n.end\n"
}

fn process(program: &str, args: &[&str]) -> Option<Duration> {
    let run = || Command::new(program).args(args).stdout(Stdio::null()).stderr(Stdio::null()).stdin(Stdio::null()).status();
    run().ok()?;
    Some(least(20, || {
        run().unwrap();
    }))
}

fn main() {
    let (drivers, network, hz) = (drivers(), parse(WIRING).unwrap(), grid());
    let curves = least(200, || {
        let driven = Driven::new(&network, &drivers, None, Source { tap_ohm: 8.0, output_ohm_at_8: 8.0 }).unwrap();
        black_box(driven.levels(&hz));
    });
    println!("drive curves of four drivers, {} points: {:.1} us (aim: under 200)", hz.len(), curves.as_secs_f64() * 1e6);
    kept("drive curves of four drivers", curves.as_secs_f64() * 1e6, "us");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cab.cir");
    std::fs::write(&path, netlist(&drivers)).unwrap();
    match process("ngspice", &["-b", path.to_str().unwrap()]) {
        Some(peer) => println!(
            "ngspice -b on the same network: {:.2} ms, {:.0} times as long (aim: 20)",
            peer.as_secs_f64() * 1e3,
            peer.as_secs_f64() / curves.as_secs_f64()
        ),
        None => println!("ngspice is not installed: no comparison"),
    }
    let reading = MeterValue::Ohm(Ohm::new(9.9).unwrap());
    let diagnosis = least(50, || {
        black_box(meter::diagnose(&network, &drivers, reading));
    });
    kept("diagnosis of a four-driver cab", diagnosis.as_secs_f64() * 1e3, "ms");
    println!("diagnosis of a four-driver cab: {:.3} ms (aim: under 5)", diagnosis.as_secs_f64() * 1e3);
    let load = ["load", "A + B", "--driver", "A=8,30", "--driver", "B=8,60", "--tap", "16"];
    if let Some(own) = process(env!("CARGO_BIN_EXE_cabjury"), &load) {
        kept("load as a process", own.as_secs_f64() * 1e3, "ms");
        println!("cabjury load as a process: {:.2} ms (aim: under 10)", own.as_secs_f64() * 1e3);
    }
}
