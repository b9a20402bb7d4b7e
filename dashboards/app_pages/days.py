"""Days."""

import streamlit as st

st.title("Days")
