//! Water on its way: pump, head tank, headers, valves, jars.
//!
//! A pump lifts water into a head tank whose overflow keeps it full. Each header is a manifold
//! below the tank; each jar hangs on it by a valve. Losses are taken as turbulent (head ∝ flow²):
//! with `h` the head at the tank, `H` the head in the manifold, `k` the resistance of the supply
//! pipe and `c_j` the opening of a valve,
//!
//! `h − H = k (Σ Q_j)²`, `Q_j = c_j √H`, so `H = h / (1 + k (Σ c_j)²)`.
//!
//! Closing one jar therefore raises all others on the header, as on a real manifold.
//! Flows in L/min, heads in metres, volumes in litres.

/// Height of the tank floor above the lip of the jars, m.
pub const DROP_M: f64 = 1.2;
/// Depth of the full tank, m.
pub const DEPTH_M: f64 = 0.4;
/// Share of the head lost in the supply pipe at the flow it was laid out for.
const SUPPLY_LOSS: f64 = 0.15;
/// Head tank for each jar, L: a few minutes of reserve.
const TANK_L_PER_JAR: f64 = 20.0;
/// What the pump lifts beyond the need.
const PUMP_RESERVE: f64 = 1.35;

/// A pump and its head tank.
#[derive(Clone, Debug)]
pub struct Supply {
    /// Content when full, L.
    pub full_l: f64,
    /// Content, L.
    pub level_l: f64,
    /// What the pump lifts when nothing is wrong, L/min.
    pub pump_l_per_min: f64,
}

/// What went through a tank in one step, L.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Passage {
    /// Lifted by the pump.
    pub pumped_l: f64,
    /// Drawn by the headers.
    pub drawn_l: f64,
    /// Over the overflow.
    pub overflow_l: f64,
    /// Share of what the headers asked for that they got.
    pub met: f64,
}

impl Supply {
    /// A supply laid out for `jars` jars at `l_per_min` each, full.
    #[must_use]
    pub fn for_jars(jars: usize, l_per_min: f64) -> Self {
        let full_l = TANK_L_PER_JAR * jars as f64;
        Self { full_l, level_l: full_l, pump_l_per_min: PUMP_RESERVE * l_per_min * jars as f64 }
    }

    /// Head above the lip of the jars, m.
    #[must_use]
    pub fn head_m(&self) -> f64 {
        DROP_M + DEPTH_M * self.level_l / self.full_l
    }

    /// One step: `working` is the share of its flow the pump lifts, `asked_l_per_min` what the
    /// headers would take at this head. An empty tank passes on what comes in.
    pub fn pass(&mut self, working: f64, asked_l_per_min: f64, dt_s: f64) -> Passage {
        let pumped_l = self.pump_l_per_min * working.clamp(0.0, 1.0) * dt_s / 60.0;
        let asked_l = asked_l_per_min * dt_s / 60.0;
        let there = self.level_l + pumped_l;
        let drawn_l = asked_l.min(there);
        let overflow_l = (there - drawn_l - self.full_l).max(0.0);
        self.level_l = there - drawn_l - overflow_l;
        let met = if asked_l > 0.0 { drawn_l / asked_l } else { 1.0 };
        Passage { pumped_l, drawn_l, overflow_l, met }
    }
}

/// A manifold with its jars' valves.
#[derive(Clone, Debug)]
pub struct Header {
    /// Resistance of the clean supply pipe, m per (L/min)².
    clean_k: f64,
    /// Share of the flow a clog takes at full valves, 0 to 1.
    clog: f64,
    /// Opening of each valve, L/min at one metre.
    valves: Vec<Valve>,
}

/// A jar's valve.
#[derive(Clone, Copy, Debug)]
pub struct Valve {
    /// As set by hand, L/min at one metre.
    pub opening: f64,
    /// What vibration and silt have made of it, 1 when just set.
    pub drift: f64,
    /// Share that a blockage in the jar's line leaves.
    pub unblocked: f64,
}

impl Valve {
    fn effective(self) -> f64 {
        self.opening * self.drift * self.unblocked
    }
}

impl Header {
    /// A header laid out for `jars` jars at `l_per_min` each. All valves closed.
    #[must_use]
    pub fn for_jars(jars: usize, l_per_min: f64) -> Self {
        let flow = l_per_min * jars as f64;
        Self {
            clean_k: SUPPLY_LOSS * (DROP_M + DEPTH_M) / (flow * flow),
            clog: 0.0,
            valves: vec![Valve { opening: 0.0, drift: 1.0, unblocked: 1.0 }; jars],
        }
    }

    /// Clogs the header so that it passes `1 − share` of what it would pass.
    pub fn clog(&mut self, share: f64) {
        self.clog = share.clamp(0.0, 0.999);
    }

    /// A valve, to drift or block it.
    pub fn valve_mut(&mut self, place: usize) -> Option<&mut Valve> {
        self.valves.get_mut(place)
    }

    /// Flow of every jar at `head_m`, L/min.
    #[must_use]
    pub fn flows(&self, head_m: f64) -> Vec<f64> {
        let opened: f64 = self.valves.iter().map(|v| v.effective()).sum();
        let manifold = self.manifold_m(head_m, opened);
        self.valves.iter().map(|v| v.effective() * manifold.sqrt()).collect()
    }

    fn manifold_m(&self, head_m: f64, opened: f64) -> f64 {
        let clean = head_m / (1.0 + self.clean_k * opened * opened);
        // Flow goes with the root of the head in the manifold.
        clean * (1.0 - self.clog) * (1.0 - self.clog)
    }

    /// Sets every valve so that the jars get `wanted` L/min at `head_m`, as somebody with a bucket
    /// and patience would. `miss` is how far off each ends up (1 is exact). Blockages and clogs
    /// are not felt by hand: the valves are set as if the water came freely.
    pub fn set(&mut self, head_m: f64, wanted: &[f64], miss: &[f64]) {
        let total: f64 = wanted.iter().sum();
        let manifold = (head_m - self.clean_k * total * total).max(0.05);
        for ((valve, wanted), miss) in self.valves.iter_mut().zip(wanted).zip(miss) {
            valve.opening = wanted * miss / manifold.sqrt();
            valve.drift = 1.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header() -> Header {
        let mut header = Header::for_jars(4, 4.5);
        header.set(1.6, &[3.0, 3.0, 4.5, 2.0], &[1.0; 4]);
        header
    }

    #[test]
    fn valves_give_what_they_were_set_to() {
        for (flow, wanted) in header().flows(1.6).into_iter().zip([3.0, 3.0, 4.5, 2.0]) {
            assert!((flow - wanted).abs() < 1e-9, "{flow}");
        }
    }

    /// Energy balance of the manifold, from the formula of the module: the head lost in the
    /// supply pipe and the head left must add up to the head of the tank.
    #[test]
    fn heads_add_up() {
        let header = header();
        let flows = header.flows(1.4);
        let total: f64 = flows.iter().sum();
        let manifold = (flows[0] / header.valves[0].effective()).powi(2);
        assert!((manifold + header.clean_k * total * total - 1.4).abs() < 1e-9);
    }

    #[test]
    fn closing_one_jar_raises_the_others() {
        let mut header = header();
        header.valve_mut(2).unwrap().unblocked = 0.0;
        let flows = header.flows(1.6);
        assert!(flows[2].abs() < 1e-12);
        assert!(flows[0] > 3.05 && flows[3] > 2.03, "{flows:?}");
    }

    #[test]
    fn a_clog_takes_its_share() {
        let mut header = header();
        header.clog(0.6);
        assert!((header.flows(1.6)[0] - 1.2).abs() < 1e-9);
    }

    #[test]
    fn no_water_is_made_or_lost_in_the_tank() {
        let mut supply = Supply::for_jars(8, 4.5);
        for step in 0..2000 {
            let before = supply.level_l;
            let working = if (300..900).contains(&step) { 0.0 } else { 1.0 };
            let p = supply.pass(working, 30.0, 10.0);
            assert!((before + p.pumped_l - p.drawn_l - p.overflow_l - supply.level_l).abs() < 1e-9);
            assert!((0.0..=supply.full_l).contains(&supply.level_l));
        }
    }

    #[test]
    fn a_full_tank_carries_the_jars_for_a_few_minutes() {
        let mut supply = Supply::for_jars(8, 4.5);
        let mut minutes = 0.0_f64;
        while supply.pass(0.0, 24.0, 10.0).met > 0.99 {
            minutes += 10.0 / 60.0;
        }
        assert!((minutes - 160.0 / 24.0).abs() < 0.2, "{minutes}");
    }
}
