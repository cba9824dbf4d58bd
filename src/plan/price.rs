//! What a step costs: minutes and money, set-ups paid once, switching the unit on and off, and the tariff that makes
//! one number of it.

use super::problem::{Problem, SetupIx};

/// An amount of work and money that is paid as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Lump {
    /// Minutes of work, at least 0.
    pub minutes: f64,
    /// Money for parts or carriage in minor units (cents, pence), at least 0.
    pub money: i64,
}

/// What one step costs and needs.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Price {
    /// Minutes of work of the step itself, at least 0.
    pub minutes: f64,
    /// Money for parts in minor units, at least 0.
    pub money: i64,
    /// Set-ups the step needs; each is paid once per session ([`Draft::setups`](super::Draft) holds their minutes).
    pub setups: Vec<SetupIx>,
    /// What state of the supply the step needs.
    pub power: Power,
}

impl Price {
    /// A price of so many minutes and nothing else.
    pub fn minutes(minutes: f64) -> Price {
        Price { minutes, ..Price::default() }
    }
}

/// The state of the supply that a step needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Power {
    /// On or off makes no difference.
    #[default]
    Any,
    /// The unit must be off.
    Off,
    /// The unit must be powered.
    On,
    /// The unit is powered for a moment and is off afterwards.
    Brief,
}

impl Power {
    /// Whether the step puts power on the unit.
    pub fn is_powered(self) -> bool {
        matches!(self, Power::On | Power::Brief)
    }
}

/// Minutes it takes to switch the unit's supply.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Switching {
    /// Minutes to switch it on, at least 0.
    pub on: f64,
    /// Minutes to switch it off (and let it discharge), at least 0.
    pub off: f64,
}

/// Which of minutes and money count towards the cost that is minimised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Count {
    /// Minutes alone; the cost is in minutes.
    #[default]
    Minutes,
    /// Money alone; the cost is in minor units and work is free.
    Money,
    /// Both; the cost is in minor units, minutes being paid at the labour rate.
    Both,
}

/// How minutes and money become one cost.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Tariff {
    /// Labour in minor units per hour, at least 0; matters for [`Count::Both`] alone.
    pub money_per_hour: f64,
    /// What counts.
    pub count: Count,
}

impl Tariff {
    /// The cost of so many minutes and so much money (minor units).
    pub fn cost(&self, minutes: f64, money: f64) -> f64 {
        match self.count {
            Count::Minutes => minutes,
            Count::Money => money,
            Count::Both => minutes * self.money_per_hour / 60.0 + money,
        }
    }
}

/// Which set-ups have been made; at most [`SetupSet::MOST`] of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, PartialOrd, Ord)]
pub struct SetupSet(u64);

impl SetupSet {
    /// How many set-ups a problem may have.
    pub const MOST: usize = 64;

    /// This set with one more in it; an index of [`SetupSet::MOST`] or above is ignored.
    #[must_use]
    pub fn with(self, setup: SetupIx) -> SetupSet {
        if setup.0 < Self::MOST { SetupSet(self.0 | 1 << setup.0) } else { self }
    }

    /// Whether that set-up has been made.
    pub fn has(self, setup: SetupIx) -> bool {
        setup.0 < Self::MOST && self.0 >> setup.0 & 1 == 1
    }
}

/// Where the session stands, apart from what is believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct State {
    /// Set-ups made in this session.
    pub setups: SetupSet,
    /// Whether the unit is powered now.
    pub powered: bool,
    /// Power is held: no step that puts power on the unit may be proposed.
    pub held: bool,
    /// The last retest showed a working unit.
    pub cured: bool,
}

/// An expected amount of work and money, and the one cost the tariff makes of it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Expected {
    /// What is minimised, in the tariff's measure.
    pub cost: f64,
    /// Minutes of work.
    pub minutes: f64,
    /// Money for parts and carriage in minor units.
    pub money: f64,
}

impl Expected {
    /// The amounts with their cost under a tariff.
    pub fn of(minutes: f64, money: f64, tariff: &Tariff) -> Expected {
        Expected { cost: tariff.cost(minutes, money), minutes, money }
    }

    /// The sum of this and `share` of another amount.
    #[must_use]
    pub fn plus(self, other: Expected, share: f64) -> Expected {
        Expected {
            cost: self.cost + share * other.cost,
            minutes: self.minutes + share * other.minutes,
            money: self.money + share * other.money,
        }
    }

    /// `share` of this amount.
    #[must_use]
    pub fn times(self, share: f64) -> Expected {
        Expected::default().plus(self, share)
    }
}

impl Problem {
    /// What a lump costs.
    pub fn lump(&self, lump: Lump) -> Expected {
        Expected::of(lump.minutes, lump.money as f64, self.tariff())
    }

    /// What a step of this price costs in this state, set-ups not made yet and switching included, and the state
    /// after it.
    pub fn pay(&self, price: &Price, state: &State) -> (Expected, State) {
        let mut after = *state;
        let mut minutes = price.minutes;
        for &setup in &price.setups {
            if !after.setups.has(setup) {
                minutes += self.setup_minutes(setup);
                after.setups = after.setups.with(setup);
            }
        }
        let switching = self.switching();
        match (price.power, state.powered) {
            (Power::On, false) => minutes += switching.on,
            (Power::Off | Power::Brief, true) => minutes += switching.off,
            (Power::Brief, false) => minutes += switching.on + switching.off,
            _ => {}
        }
        after.powered = match price.power {
            Power::Any => state.powered,
            Power::On => true,
            Power::Off | Power::Brief => false,
        };
        (Expected::of(minutes, price.money as f64, self.tariff()), after)
    }
}
