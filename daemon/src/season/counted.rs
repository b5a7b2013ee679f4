//! Tables of eggs, fish and fry.

use super::Material;
use super::table::{Cell, Table, columns};
use crate::logbook::Act;
use crate::progress::books::egg_density;
use crate::web::words;
use nightjar_calc::ledger::{Level, Line};

/// Levels of the accounts with their key.
pub(super) const LEVELS: [(Level, &str); 6] = [
    (Level::Season, "season"),
    (Level::Species, "species"),
    (Level::Water, "water"),
    (Level::Lot, "lot"),
    (Level::Take, "take"),
    (Level::Jar, "jar"),
];

pub(super) fn accounts(material: &Material<'_>) -> Table {
    let mut rows = Vec::new();
    for (level, key) in LEVELS {
        for (name, line) in material.books.ledger().report(level) {
            rows.push(account(key, &name, &line));
        }
    }
    Table {
        name: "accounts",
        title: "Eggs and fry",
        about: "Every counted egg is in exactly one line of each level. Bounds are at 95 %. Fry of a lot that were not kept apart by jar are put down to its jars by the eggs put in.",
        columns: columns(&[
            ("level", "season, species, water of the parents, lot, take or jar"),
            ("name", "name of the season, species, water, lot, take or jar"),
            ("eggs_in", "eggs put into jars"),
            ("eggs_in_low", "lower bound of eggs_in"),
            ("eggs_in_high", "upper bound of eggs_in"),
            ("removed", "eggs siphoned off or found dead"),
            ("alive_by_siphon", "first estimate of living eggs: in less removed"),
            ("alive_by_siphon_low", "lower bound of it"),
            ("alive_by_siphon_high", "upper bound of it"),
            ("alive_by_eye_up", "second estimate of living eggs: eggs there when dipped times share eyed"),
            ("alive_by_eye_up_low", "lower bound of it"),
            ("alive_by_eye_up_high", "upper bound of it"),
            ("gap_eggs", "difference of the two estimates when it is beyond their errors"),
            ("gap", "what the difference may mean"),
            ("fertilized_share", "share of eggs fertilized, where it was counted"),
            ("fertilized_share_low", "lower bound of it"),
            ("fertilized_share_high", "upper bound of it"),
            ("eye_up_share", "share of eggs eyed in the dips"),
            ("eye_up_share_low", "lower bound of it"),
            ("eye_up_share_high", "upper bound of it"),
            ("hatch_share", "fry counted over eggs put in"),
            ("hatch_share_low", "lower bound of it"),
            ("hatch_share_high", "upper bound of it"),
            ("fry_expected", "fry to expect from the eye-up samples"),
            ("fry_expected_low", "lower bound of it"),
            ("fry_expected_high", "upper bound of it"),
            ("fry_out", "fry counted"),
            ("fry_out_low", "lower bound of it"),
            ("fry_out_high", "upper bound of it"),
            ("stocked", "fry put into waters"),
            ("held", "fry held back"),
            ("fry_dead", "fry found dead"),
            ("females", "different females"),
            ("males", "different males; one used again counts once"),
            ("males_reused", "times a male was used again"),
            ("breeders_at_most", "effective number of breeders, an upper bound"),
        ]),
        rows,
    }
}

fn account(level: &str, name: &str, line: &Line) -> Vec<Cell> {
    let eggs = |interval| Cell::interval(interval, 0);
    let share = |interval| Cell::interval(interval, 4);
    let mut row = vec![Cell::text(level), Cell::text(name), Cell::Number(line.eggs_in_exact.get(), 0)];
    let [_, low, high] = eggs(Some(line.eggs_in.interval()));
    row.extend([low, high, Cell::whole(line.removed.get())]);
    row.extend(eggs(Some(line.alive_by_siphon.interval())));
    row.extend(eggs(line.alive_by_eye_up));
    row.push(Cell::maybe(line.gap.map(|gap| gap.eggs), 0));
    row.push(line.gap.map_or(Cell::Empty, |gap| Cell::text(gap.to_string())));
    row.extend(share(line.fertilized));
    row.extend(share(line.eye_up));
    row.extend(share(line.hatch));
    row.extend(eggs(line.fry_expected));
    row.extend(eggs(line.fry_out.map(nightjar_calc::enumeration::Estimate::interval)));
    row.extend([line.stocked, line.held, line.fry_dead].map(|fry| Cell::whole(fry.get())));
    let fish = |pick: fn(&nightjar_calc::breeders::Breeders) -> f64| line.breeders.as_ref().map(pick);
    row.push(Cell::maybe(fish(|b| f64::from(b.females)), 0));
    row.push(Cell::maybe(fish(|b| f64::from(b.males)), 0));
    row.push(Cell::maybe(fish(|b| f64::from(b.males_reused)), 0));
    row.push(Cell::maybe(fish(|b| b.effective_at_most), 1));
    row
}

pub(super) fn takes(material: &Material<'_>) -> Table {
    let mut takes: Vec<_> = material.books.takes().values().collect();
    takes.sort_by(|a, b| (a.fertilized_at, &a.take).cmp(&(b.fertilized_at, &b.take)));
    let rows = takes
        .into_iter()
        .map(|take| {
            let density = take.count.as_ref().and_then(|count| egg_density(count).ok());
            let eggs = density.zip(take.volume_l).map(|(density, litres)| density.scaled(litres).interval());
            let mut row = vec![
                Cell::text(take.take.as_str()),
                Cell::text(&take.species),
                Cell::text(&take.water),
                Cell::text(&take.gear),
                Cell::At(take.fertilized_at),
                Cell::whole(f64::from(take.females)),
                Cell::whole(f64::from(take.males)),
                Cell::whole(f64::from(take.males_reused)),
                Cell::maybe(take.volume_l, 3),
                Cell::text(if take.hardened { "hardened" } else { "unhardened" }),
                take.count.as_ref().map_or(Cell::Empty, |count| Cell::text(words::count_method(count))),
                Cell::maybe(density.map(|density| density.value), 0),
            ];
            row.extend(Cell::interval(eggs, 0));
            row.extend([
                Cell::text(&take.pan),
                Cell::maybe(take.clay_minutes, 1),
                Cell::when(take.hardening_from),
                Cell::when(take.hardening_to),
                Cell::maybe(take.hardening_temp_c, 2),
                take.hardening_sensor.as_ref().map_or(Cell::Empty, |sensor| Cell::text(sensor.as_str())),
                Cell::maybe(take.transport_temp_c, 2),
                Cell::text(&take.disinfection),
            ]);
            row
        })
        .collect();
    Table {
        name: "takes",
        title: "Takes",
        about: "",
        columns: columns(&[
            ("take", "name of the take"),
            ("species", "key of the species"),
            ("water", "lake or river of the parents"),
            ("gear", "net or trap"),
            ("fertilized_at", "moment of fertilization"),
            ("females", "females stripped"),
            ("males", "males used"),
            ("males_reused", "males of these used before"),
            ("volume_l", "eggs, settled, in litres"),
            ("state", "whether volume and count are of eggs that had taken up water"),
            ("count", "how they were counted"),
            ("eggs_per_l", "eggs to the settled litre by that count"),
            ("eggs", "eggs taken: volume times count"),
            ("eggs_low", "lower bound of eggs"),
            ("eggs_high", "upper bound of eggs"),
            ("pan", "pans"),
            ("clay_min", "minutes in the clay suspension"),
            ("hardening_from", "into the hardening basket"),
            ("hardening_to", "out of the hardening basket"),
            ("hardening_c", "temperature of the basket by hand, °C"),
            ("hardening_sensor", "probe in the basket"),
            ("transport_c", "temperature on the way to the jars, °C"),
            ("disinfection", "disinfection, in words"),
        ]),
        rows,
    }
}

pub(super) fn parents(material: &Material<'_>) -> Table {
    let rows = material
        .books
        .takes()
        .values()
        .flat_map(|take| take.parents.iter().map(move |parent| (take, parent)))
        .map(|(take, parent)| {
            vec![Cell::text(take.take.as_str()), Cell::text(&parent.mark), Cell::maybe(parent.length_mm, 0)]
        })
        .collect();
    Table {
        name: "parents",
        title: "Parents",
        about: "",
        columns: columns(&[
            ("take", "name of the take"),
            ("mark", "mark of the fish"),
            ("length_mm", "total length, mm"),
        ]),
        rows,
    }
}

pub(super) fn crosses(material: &Material<'_>) -> Table {
    let rows = material
        .books
        .takes()
        .values()
        .flat_map(|take| take.crosses.iter().map(move |cross| (take, cross)))
        .map(|(take, cross)| {
            vec![
                Cell::text(take.take.as_str()),
                Cell::text(&cross.female),
                Cell::text(cross.males.join(" ")),
                Cell::text(&cross.pan),
            ]
        })
        .collect();
    Table {
        name: "crosses",
        title: "Crosses",
        about: "",
        columns: columns(&[
            ("take", "name of the take"),
            ("female", "mark of the female"),
            ("males", "marks of the males, with spaces between"),
            ("pan", "pan it was done in"),
        ]),
        rows,
    }
}

pub(super) fn stocking(material: &Material<'_>) -> Table {
    let mut rows: Vec<(nightjar_calc::time::Timestamp, Vec<Cell>)> = Vec::new();
    for done in material.done {
        if let Act::Stocked(s) = done.act {
            rows.push((
                done.at,
                vec![
                    Cell::At(done.at),
                    Cell::text(s.lot.as_str()),
                    Cell::text(&s.water),
                    Cell::whole(s.fry),
                    Cell::text(&s.truck),
                    Cell::maybe(s.truck_temp_c, 1),
                    Cell::maybe(s.water_temp_c, 1),
                    Cell::text(done.entry.who.as_str()),
                ],
            ));
        }
    }
    rows.sort_by_key(|(at, _)| *at);
    Table {
        name: "stocking",
        title: "Stocking",
        about: "",
        columns: columns(&[
            ("at", "when"),
            ("lot", "lot"),
            ("water", "water stocked"),
            ("fry", "number of fry"),
            ("truck", "truck or bags"),
            ("truck_c", "temperature in the truck, °C"),
            ("water_c", "temperature of the water, °C"),
            ("who", "who wrote it down"),
        ]),
        rows: rows.into_iter().map(|(_, row)| row).collect(),
    }
}

pub(super) fn stocking_by_water(material: &Material<'_>) -> Table {
    let sums = material.books.ledger().stocked_by_water();
    Table {
        name: "stocking_by_water",
        title: "Stocking by water",
        about: "",
        columns: columns(&[("water", "water stocked"), ("fry", "number of fry")]),
        rows: sums.into_iter().map(|(water, fry)| vec![Cell::text(water), Cell::whole(fry.get())]).collect(),
    }
}
