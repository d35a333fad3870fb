//! An invented shop, set up over HTTP: Tarn Street Engines, with Ines (owner), Ravi (counter) and Bo (bench); and a further one in the
//! same installation: Alder Row Repairs, with Nora (owner) and Jo (counter).

use serde_json::{Value, json};
use uuid::Uuid;

use crate::ask::{Actor, Anonymous, CookieStaff};
use crate::counter::Counter;
use crate::seeded::Seeded;
use crate::server::{self, Server};

/// Everybody's password.
pub const PASSWORD: &str = "correct horse, tarn street";

/// A shop that is set up, and its people, each signed in in a browser.
#[derive(Debug)]
pub struct Shop {
    /// Its server.
    pub server: Server,
    /// The shop.
    pub id: Uuid,
    /// The owner.
    pub ines: CookieStaff,
    /// Role `counter`.
    pub ravi: CookieStaff,
    /// Role `bench`.
    pub bo: CookieStaff,
}

impl Shop {
    /// Sets a shop up on a new server.
    ///
    /// # Panics
    /// When anything on the way is refused.
    pub async fn set_up() -> Shop {
        Shop::on(Server::start()).await
    }

    /// Sets a shop up on a server that was never set up.
    ///
    /// # Panics
    /// When anything on the way is refused.
    pub async fn on(server: Server) -> Shop {
        let (door, token) = (server.anonymous(), server.set_up.clone().expect("a server that is not set up"));
        let ines = open(&door, &token).await;
        let ravi = hire(&door, &ines, "Ravi", "counter").await;
        let bo = hire(&door, &ines, "Bo", "bench").await;
        Shop { id: ines.who.shop, server, ines, ravi, bo }
    }

    /// Ravi at the counter, with a seed for what he makes up.
    ///
    /// # Panics
    /// When the server does not tell the time, the kinds, the words and the terms.
    pub async fn counter(&self, seed: u64) -> Counter {
        Counter::of(self.ravi.clone(), Seeded::new(seed)).await
    }
}

/// The people of a further shop in the same installation.
#[derive(Debug)]
pub struct NextDoor {
    /// The owner.
    pub nora: CookieStaff,
    /// Role `counter`.
    pub jo: CookieStaff,
}

impl NextDoor {
    /// Opens a further shop on a server, by the link that `counterfoil open-shop` prints meanwhile.
    ///
    /// # Panics
    /// When anything on the way is refused.
    pub async fn open(server: &Server) -> NextDoor {
        let (door, token) = (server.anonymous(), further(server));
        let nora =
            door.let_in(&door.post("/v1/set-up").json(&wanted(&token, "Alder Row Repairs", "Nora")).send().await);
        let jo = hire(&door, &nora, "Jo", "counter").await;
        NextDoor { nora, jo }
    }
}

/// The token of a link to a further shop.
///
/// # Panics
/// When none is printed.
pub fn further(server: &Server) -> String {
    let made = server::open_shop(server.data());
    assert!(made.sound, "{}", made.said);
    let link = made.said.lines().find_map(|l| l.strip_prefix("https://intake.example/set-up#"));
    link.unwrap_or_else(|| panic!("no link in {}", made.said)).to_owned()
}

/// What makes a shop and its owner; the sign-in name is the name in lower case.
pub fn wanted(token: &str, shop: &str, owner: &str) -> Value {
    json!({"token": token, "shop_name": shop, "zone": "Europe/Vienna", "currency": "EUR", "name": owner,
        "sign_in": owner.to_lowercase(), "password": PASSWORD})
}

/// Makes the shop and its owner, with the token that the program printed.
///
/// # Panics
/// When it is refused.
pub async fn open(door: &Anonymous, token: &str) -> CookieStaff {
    door.let_in(&door.post("/v1/set-up").json(&wanted(token, "Tarn Street Engines", "Ines")).send().await)
}

/// Adds somebody and signs them in; the sign-in name is the name in lower case.
///
/// # Panics
/// When it is refused.
pub async fn hire(door: &Anonymous, owner: &CookieStaff, name: &str, role: &str) -> CookieStaff {
    let sign_in = name.to_lowercase();
    let new = json!({"name": name, "sign_in": sign_in, "password": PASSWORD, "roles": [role]});
    owner.post(&owner.path("/staff")).json(&new).send().await.expect(201);
    let back = json!({"sign_in": sign_in, "password": PASSWORD, "shop": owner.who.shop});
    door.let_in(&door.post("/v1/sessions").json(&back).send().await)
}
