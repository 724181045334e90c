//! Acts of a page: forms that POST, so that everything works without the script. Each answers: go and look at the bench.

use std::sync::Arc;

use axum::{
    extract::{Request, State},
    response::Response,
};
use serde::Deserialize;

use super::{
    api::{TestWord, fit_mark, virtual_only},
    house::House,
    query,
    reply::{self, Problem},
};
use crate::bench::{Fault, Order};

type Answer = Result<Response, Problem>;
type Shared = State<Arc<House>>;

/// Gives the order and sends the visitor to the bench.
async fn ordered(house: &House, order: Order) -> Answer {
    house.order(order).await?;
    Ok(reply::see("/"))
}

/// Fields of `/do/choose`.
#[derive(Debug, Deserialize)]
struct Choose {
    test: TestWord,
    /// An empty field is none.
    #[serde(default)]
    setup: String,
}

pub(super) async fn choose(State(house): Shared, request: Request) -> Answer {
    let Choose { test, setup } = query::form(request).await?;
    let order = Order::Choose {
        test: test.into(),
        setup: Some(setup).filter(|setup| !setup.is_empty()),
    };
    ordered(&house, order).await
}

pub(super) async fn begin(State(house): Shared) -> Answer {
    ordered(&house, Order::Begin).await
}

pub(super) async fn stop(State(house): Shared) -> Answer {
    ordered(&house, Order::Stop).await
}

pub(super) async fn leave(State(house): Shared) -> Answer {
    ordered(&house, Order::Leave).await
}

pub(super) async fn let_go(State(house): Shared) -> Answer {
    ordered(&house, Order::LetGo).await
}

/// Fields of `/do/mark`.
#[derive(Debug, Deserialize)]
struct Mark {
    mark: String,
}

pub(super) async fn mark(State(house): Shared, request: Request) -> Answer {
    let Mark { mark } = query::form(request).await?;
    ordered(&house, Order::Mark(fit_mark(mark)?)).await
}

/// Fields of `/do/fault`: `fault=seeping_lid&on=true`, `fault=snag&part=ring_f` (no part: none),
/// `fault=unplugged&kind=force&on=true`.
#[derive(Debug, Deserialize)]
struct Switch {
    fault: String,
    #[serde(default)]
    on: bool,
    #[serde(default)]
    part: String,
    #[serde(default)]
    kind: String,
}

pub(super) async fn fault(State(house): Shared, request: Request) -> Answer {
    virtual_only(&house)?;
    let Switch {
        fault,
        on,
        part,
        kind,
    } = query::form(request).await?;
    let fault = match fault.as_str() {
        "seeping_lid" => Fault::SeepingLid(on),
        "seized_engine" => Fault::SeizedEngine(on),
        "worn_engine" => Fault::WornEngine(on),
        "snag" => Fault::Snag(Some(part).filter(|part| !part.is_empty())),
        "unplugged" => Fault::Unplugged(kind, on),
        _ => return Err(Problem::bad("there is no such fault to switch")),
    };
    ordered(&house, Order::Fault(fault)).await
}
